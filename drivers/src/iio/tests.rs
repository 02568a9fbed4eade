//! The driver against a folder that looks like the kernel's.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use settled_protocol::meter::{Kind, Span};
use settled_protocol::quantity::{Light, Photometric};
use tokio::time::Instant;

use super::*;
use crate::clock::still as clock;
use crate::conformance::{self, Zero};
use crate::fault::FaultKind;
use crate::sample::{Exposure, Sample};
use crate::settings;

mod buffered;

/// A folder with sensors in it.
struct Tree(tempfile::TempDir);

impl Tree {
    fn new() -> Self {
        let tree = Self(tempfile::tempdir().unwrap());
        fs::create_dir_all(tree.0.path().join("sys/bus/iio/devices")).unwrap();
        fs::create_dir_all(tree.0.path().join("dev")).unwrap();
        tree
    }

    /// One that takes 20 ms for an exposure, or 10 or 40.
    fn with(attributes: &[(&str, &str)]) -> Self {
        let tree = Self::new();
        let timing = [
            ("in_illuminance_integration_time", "0.020000\n"),
            ("integration_time_available", "0.01 0.02 0.04\n"),
        ];
        tree.attach("platform/als0", 0, &[&[("name", "als\n")][..], &timing, attributes].concat());
        tree
    }

    fn folder(&self, place: &str, number: u32) -> PathBuf {
        self.0.path().join(format!("sys/devices/{place}/iio:device{number}"))
    }

    fn attach(&self, place: &str, number: u32, attributes: &[(&str, &str)]) {
        let folder = self.folder(place, number);
        for (name, text) in attributes {
            let path = folder.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        }
        let link = self.0.path().join(format!("sys/bus/iio/devices/iio:device{number}"));
        std::os::unix::fs::symlink(folder, link).unwrap();
    }

    fn detach(&self, place: &str, number: u32) {
        fs::remove_dir_all(self.folder(place, number)).unwrap();
        fs::remove_file(self.0.path().join(format!("sys/bus/iio/devices/iio:device{number}"))).unwrap();
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.folder("platform/als0", 0).join(name), text).unwrap();
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.folder("platform/als0", 0).join(name)).unwrap()
    }

    fn driver(&self, toml: &str) -> Result<Arc<dyn Driver>, String> {
        let context = Context::at(self.0.path());
        let toml = format!("sysfs = \"sys\"\ndev = \"dev\"\n{toml}");
        settings::read("t.toml", &toml, |table| configure(table, &context))
            .map_err(|problems| problems.to_string())
    }

    async fn open(&self, toml: &str) -> Result<Box<dyn Meter>, Fault> {
        self.driver(toml).unwrap().open(&clock()).await
    }
}

const LUX: &str = "device = \"als\"\nilluminance = \"in_illuminance\"\n";
const RAW: &[(&str, &str)] = &[("in_illuminance_raw", "200\n"), ("in_illuminance_scale", "0.5\n")];

async fn measure(meter: &mut dyn Meter, integration_s: Option<f64>) -> Result<Sample, Fault> {
    meter.measure(Exposure { integration_s }).await
}

async fn light(meter: &mut dyn Meter) -> Light {
    measure(meter, None).await.unwrap().light().unwrap()
}

#[tokio::test]
async fn the_driver_conforms_on_a_folder() {
    let tree = Tree::with(RAW);
    let report = conformance::check(&tree.driver(LUX).unwrap(), &clock(), Zero::Covered).await;
    assert!(report.is_kept(), "{report}");
    // And it leaves the integration time as it was.
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.020000");
}

#[tokio::test]
async fn an_illuminance_is_told_with_its_unit_its_step_and_its_time() {
    let tree = Tree::with(RAW);
    let mut meter = tree.open(&format!("{LUX}factor = 2\nrange = [1, 1000]\n")).await.unwrap();
    let instrument = &meter.describe().instrument;
    assert_eq!((instrument.model.as_str(), instrument.kind), ("als", Kind::IlluminanceMeter));
    assert_eq!(instrument.integration_s, Some(Span { min: 0.01, max: 0.04 }));
    assert_eq!((instrument.range, instrument.resolution), (Some(Span { min: 1.0, max: 1000.0 }), None));
    let sample = measure(meter.as_mut(), None).await.unwrap();
    assert_eq!(sample.light(), Some(Light::amount(Photometric::Illuminance, 200.0).unwrap()));
    assert_eq!(sample.integration_s, Some(0.02));
    // One whose time can't be set has steps that stay.
    fs::remove_file(tree.folder("platform/als0", 0).join("integration_time_available")).unwrap();
    let meter = tree.open(LUX).await.unwrap();
    let instrument = &meter.describe().instrument;
    assert_eq!((instrument.integration_s, instrument.resolution), (None, Some(0.5)));
}

#[tokio::test]
async fn integration_times_are_set_and_told_as_the_kernel_took_them() {
    let tree = Tree::with(RAW);
    let mut meter = tree.open(LUX).await.unwrap();
    let sample = measure(meter.as_mut(), Some(0.035)).await.unwrap();
    assert_eq!(sample.integration_s, Some(0.04));
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.040000");
    for asked in [0.009, 0.05, f64::NAN] {
        let fault = measure(meter.as_mut(), Some(asked)).await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Unsupported, "{asked}");
    }
    // Without a wish it is what it was.
    assert_eq!(measure(meter.as_mut(), None).await.unwrap().integration_s, Some(0.02));
    let meter = tree.open(&format!("{LUX}integration = \"10ms\"\n")).await.unwrap();
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.010000");
    meter.close().await;
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.020000");
    let fault = tree.open(&format!("{LUX}integration = 5\n")).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Refused && fault.to_string().contains("5 s can't be set"), "{fault}");
}

#[tokio::test]
async fn light_from_before_the_call_never_counts() {
    // What is in the attribute as the call comes may be two exposures old.
    let tree = Tree::with(RAW);
    let mut meter = tree.open(LUX).await.unwrap();
    let start = Instant::now();
    let change = async { tree.write("in_illuminance_raw", "800\n") };
    let (light_now, ()) = tokio::join!(light(meter.as_mut()), change);
    assert_eq!(light_now.value(), 400.0);
    assert!(start.elapsed() >= Duration::from_millis(40), "{:?}", start.elapsed());
    // An exposure of the old length may go on as another is set.
    let start = Instant::now();
    measure(meter.as_mut(), Some(0.01)).await.unwrap();
    assert!(start.elapsed() >= Duration::from_millis(40), "{:?}", start.elapsed());
    // One that exposes only as it is read needs no waiting.
    let mut meter = tree.open(&format!("{LUX}latency = 0\nintegration = 0.01\n")).await.unwrap();
    assert!(meter.deadline(Exposure::default()) < Duration::from_secs(10));
    assert_eq!(light(meter.as_mut()).await.value(), 400.0);
}

#[tokio::test]
async fn colour_comes_from_a_chromaticity_or_by_a_matrix() {
    let tree = Tree::with(
        &[
            RAW,
            &[
                ("in_chromaticity_x_raw", "3127\n"),
                ("in_chromaticity_y_raw", "3290\n"),
                ("in_chromaticity_scale", "0.0001\n"),
            ],
            &[
                ("in_intensity_red_raw", "10\n"),
                ("in_intensity_green_raw", "20\n"),
                ("in_intensity_clear_raw", "40\n"),
            ],
        ]
        .concat(),
    );
    let toml = format!("{LUX}chromaticity = [\"in_chromaticity_x\", \"in_chromaticity_y\"]\n");
    let mut meter = tree.open(&toml).await.unwrap();
    assert_eq!(meter.describe().instrument.kind, Kind::Colorimeter);
    let colour = light(meter.as_mut()).await.chromaticity().unwrap();
    assert!((colour.x() - 0.3127).abs() < 1e-9 && (colour.y() - 0.329).abs() < 1e-9, "{colour:?}");
    // Too dark for a colour, sensors say 0, 0.
    tree.write("in_chromaticity_x_raw", "0");
    tree.write("in_chromaticity_y_raw", "0");
    let dark = light(meter.as_mut()).await;
    assert_eq!((dark.value(), dark.chromaticity()), (100.0, None));

    let matrix = "device = \"als\"\nxyz_from = [\"in_intensity_red\", \"in_intensity_green\", \"in_intensity_clear\"]\n\
        matrix = [[1, 0, 0.5], [0, 2, 0], [0, -0.5, 1]]\nunit = \"cd/m2\"\nintegration = 0.01\n";
    let mut meter = tree.open(matrix).await.unwrap();
    let light = light(meter.as_mut()).await;
    assert_eq!(<[f64; 3]>::from(light.xyz().unwrap()), [30.0, 40.0, 30.0]);
    assert_eq!(light.photometric(), Photometric::Luminance);
}

#[tokio::test]
async fn a_device_is_found_by_what_stays_the_same() {
    let tree = Tree::with(RAW);
    let other =
        [RAW, &[("name", "als"), ("label", "lid"), ("serialnumber", "0042"), ("integration_time", "0.01")]]
            .concat();
    tree.attach("pci0/i2c-3/3-0029", 7, &other);
    for wanted in [
        "lid",
        "0042",
        "/sys/devices/pci0/i2c-3/3-0029",
        "/devices/pci0/i2c-3/3-0029",
        "/devices/pci0/i2c-3/3-0029/iio:device7",
    ] {
        let toml = LUX.replace("\"als\"", &format!("{wanted:?}"));
        let meter = tree.open(&toml).await.unwrap_or_else(|fault| panic!("{wanted}: {fault}"));
        assert_eq!(meter.describe().instrument.serial.as_deref(), Some("0042"), "{wanted}");
    }
    let fault = tree.open(LUX).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Refused);
    for path in ["als at /devices/pci0/i2c-3/3-0029", "als at /devices/platform/als0", "by its path"] {
        assert!(fault.to_string().contains(path), "{fault}");
    }
    let fault = tree.open(&LUX.replace("als", "nope")).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Gone && fault.to_string().contains("als at /devices/"), "{fault}");
    let fault = Tree(tempfile::tempdir().unwrap()).open(LUX).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Gone && fault.to_string().contains("none at all"), "{fault}");
}

#[tokio::test]
async fn what_is_not_what_it_should_be_is_told_at_opening() {
    let tree = Tree::with(RAW);
    let fault = tree.open(&LUX.replace("in_illuminance", "in_intensity_both")).await.unwrap_err();
    assert!(fault.to_string().contains("has no channel in_intensity_both; it has in_illuminance"), "{fault}");
    let bare = Tree::new();
    bare.attach("platform/als0", 0, &[&[("name", "als")][..], RAW].concat());
    let fault = bare.open(LUX).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Refused && fault.to_string().contains("`integration = …`"), "{fault}");
    let meter = bare.open(&format!("{LUX}integration = \"100ms\"\n")).await.unwrap();
    assert_eq!(meter.describe().instrument.integration_s, None);
    let fault = tree.open(&format!("{LUX}buffer = true\n")).await.unwrap_err();
    assert!(fault.to_string().contains("has no buffer"), "{fault}");
}

#[tokio::test]
async fn faults_say_what_is_true_and_the_next_reading_is_good() {
    let tree = Tree::with(RAW);
    let mut meter = tree.open(LUX).await.unwrap();
    for (text, kind) in [("", FaultKind::Garbled), ("12 34", FaultKind::Garbled), ("nan", FaultKind::Garbled)]
    {
        tree.write("in_illuminance_raw", text);
        assert_eq!(measure(meter.as_mut(), None).await.unwrap_err().kind(), kind, "{text:?}");
        meter.recover().await.unwrap();
        tree.write("in_illuminance_raw", "200\n");
        assert_eq!(light(meter.as_mut()).await.value(), 100.0);
    }
    // The attribute alone is missing: the device is there, and refuses.
    fs::remove_file(tree.folder("platform/als0", 0).join("in_illuminance_raw")).unwrap();
    assert_eq!(measure(meter.as_mut(), None).await.unwrap_err().kind(), FaultKind::Refused);
    tree.write("in_illuminance_raw", "200\n");
    // It is unplugged while it is read.
    let unplug = async {
        tokio::time::sleep(Duration::from_millis(10)).await;
        tree.detach("platform/als0", 0);
    };
    let (outcome, ()) = tokio::join!(measure(meter.as_mut(), None), unplug);
    let fault = outcome.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Gone);
    assert!(crate::fault::chain(&fault).starts_with("the sensor was unplugged"), "{fault}");
    assert_eq!(meter.recover().await.unwrap_err().kind(), FaultKind::Gone);
    assert_eq!(meter.departed().await.kind(), FaultKind::Gone);
}

#[tokio::test]
async fn a_sensor_that_comes_is_noticed_and_one_that_was_there_is_not() {
    let tree = Tree::with(RAW);
    let driver = tree.driver(LUX).unwrap();
    let waited = tokio::time::timeout(Duration::from_millis(1500), driver.arrival()).await;
    assert!(waited.is_err(), "it was there already");
    tree.detach("platform/als0", 0);
    let come = async {
        tokio::time::sleep(Duration::from_millis(500)).await;
        tree.attach("platform/als0", 3, &[("name", "als")]);
    };
    let (come, ()) = tokio::join!(tokio::time::timeout(Duration::from_secs(30), driver.arrival()), come);
    assert!(come.is_ok());
}

#[test]
fn mistakes_in_the_settings_are_reported_together() {
    let tree = Tree::new();
    let cases: &[(&str, &[&str])] = &[
        ("", &["device: is missing", "illuminance: is missing"]),
        ("device = \"als\"\nilluminance = \"../x\"\n", &["illuminance: expected a channel such as"]),
        (
            "device = \"als\"\nxyz_from = [\"in_intensity_x\"]\n",
            &["matrix: is missing: three rows of 1 numbers"],
        ),
        (
            "device = \"als\"\nxyz_from = [\"in_intensity_x\"]\nmatrix = [[1, 2], [1, 2], [1, 2]]\n",
            &["matrix: expected 3 rows of 1 numbers"],
        ),
        (
            "device = \"als\"\nilluminance = \"in_illuminance\"\nxyz_from = \"in_intensity_x\"\nmatrix = [[1], [1], [1]]\n",
            &["xyz_from: goes with matrix"],
        ),
        (
            "device = \"als\"\nilluminance = \"in_illuminance\"\nchromaticity = [\"in_chromaticity_x\"]\ntrigger = \"t\"\nrange = [3, 1]\n",
            &["chromaticity: expected 2 names of channels, found 1", "trigger: only goes with buffer = true"],
        ),
        (
            "device = \"als\"\nilluminance = \"in_illuminance\"\nrange = [3, 1]\n",
            &["range: must be two numbers"],
        ),
        (
            "device = \"als\"\nxyz_from = [\"in_intensity_x\", \"in_intensity_y\", \"in_intensity_z\"]\nmatrix = [[1, 2, 3], [2, 4, 6.1], [3, 6, 9.1]]\n",
            &["matrix: is singular"],
        ),
        (
            "device = \"als\"\nxyz_from = [\"in_intensity_x\", \"in_intensity_y\"]\nmatrix = [[1, 2], [2, nan], [3, 6]]\n",
            &["matrix: expected number 2 of row 2 to be from"],
        ),
        (
            "device = \"als\"\nilluminance = \"in_illuminance\"\nlatencyy = 1\n",
            &["did you mean \"latency\"?"],
        ),
    ];
    for (toml, expected) in cases {
        let problems = tree.driver(toml).map(|_| ()).unwrap_err();
        for words in *expected {
            assert!(problems.contains(words), "{toml}: {problems}");
        }
    }
    let claims = |toml: &str| tree.driver(toml).unwrap().claims();
    assert_eq!(claims(LUX), claims(&format!("{LUX}factor = 2\n")));
}

#[tokio::test]
async fn an_integration_time_that_was_being_set_when_the_exposure_was_dropped_is_set_anew() {
    let tree = Tree::with(RAW);
    let mut meter = tree.open(LUX).await.unwrap();
    // It is given up just when the kernel has done it.
    let set = async {
        while tree.read("in_illuminance_integration_time") != "0.040000" {
            std::thread::yield_now();
        }
    };
    tokio::select! {
        biased;
        _ = measure(meter.as_mut(), Some(0.04)) => panic!("nothing was waited for"),
        () = set => {}
    }
    meter.recover().await.unwrap();
    // The old time is told again, and an exposure of the dropped one may go on.
    let (began, exposure) = (Instant::now(), Exposure { integration_s: Some(0.02) });
    assert!(meter.deadline(exposure) > Duration::from_millis(80));
    let sample = meter.measure(exposure).await.unwrap();
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.020000");
    assert_eq!(sample.integration_s, Some(0.02));
    assert!(began.elapsed() >= Duration::from_millis(80));
}

#[tokio::test]
async fn an_integration_time_that_somebody_else_has_set_meanwhile_is_set_anew() {
    let tree = Tree::with(RAW);
    let mut meter = tree.open(LUX).await.unwrap();
    light(meter.as_mut()).await;
    // Another program, or the sensor itself when it was pulled out and put back between two looks.
    tree.write("in_illuminance_integration_time", "0.01\n");
    let sample = measure(meter.as_mut(), None).await.unwrap();
    assert_eq!(sample.integration_s, Some(0.02));
    assert_eq!(tree.read("in_illuminance_integration_time"), "0.020000");
}
