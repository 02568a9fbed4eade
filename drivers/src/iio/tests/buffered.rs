//! Frames from a buffer that a folder, a file and a pipe stand in for.

use super::*;

/// The scan elements of a sensor with three intensities and a time stamp, of unlike formats and out of order.
const SCAN: &[(&str, &str)] = &[
    ("in_intensity_red_raw", "0"),
    ("in_intensity_green_raw", "0"),
    ("in_intensity_scale", "0.5"),
    ("buffer/enable", "0\n"),
    ("buffer/length", "2\n"),
    ("trigger/current_trigger", "\n"),
    ("scan_elements/in_intensity_red_en", "0\n"),
    ("scan_elements/in_intensity_red_index", "2\n"),
    ("scan_elements/in_intensity_red_type", "be:u16/16>>0\n"),
    ("scan_elements/in_intensity_green_en", "0\n"),
    ("scan_elements/in_intensity_green_index", "0\n"),
    ("scan_elements/in_intensity_green_type", "le:s12/32>>4\n"),
    ("scan_elements/in_timestamp_en", "1\n"),
    ("scan_elements/in_timestamp_index", "3\n"),
    ("scan_elements/in_timestamp_type", "le:s64/64>>0\n"),
];
const BUFFERED: &str = "device = \"als\"\nxyz_from = [\"in_intensity_red\", \"in_intensity_green\"]\n\
    matrix = [[1, 0], [0, 1], [0, 0]]\nintegration = 0.01\nlatency = 0\nbuffer = true\ntrigger = \"beat\"\n";

fn trigger(tree: &Tree) {
    let folder = tree.0.path().join("sys/bus/iio/devices/trigger0");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("name"), "beat\n").unwrap();
}

#[tokio::test]
async fn a_frame_of_the_buffer_gives_every_channel_of_one_moment() {
    let tree = Tree::with(SCAN);
    trigger(&tree);
    let node = tree.0.path().join("dev/iio:device0");
    // Green first: −3 counts in bits 4 to 15 of 32; then red, 258 counts; padded to 4 bytes.
    let green = ((-3_i32 as u32) & 0xfff) << 4 | 0xf;
    let mut frame = green.to_le_bytes().to_vec();
    frame.extend([1, 2, 0, 0]);
    fs::write(&node, &frame).unwrap();
    let mut meter = tree.open(BUFFERED).await.unwrap();
    let values: [f64; 3] = light(meter.as_mut()).await.xyz().unwrap().into();
    assert_eq!(values, [129.0, -1.5, 0.0]);
    assert_eq!(tree.read("trigger/current_trigger"), "beat");
    let switched = ["in_intensity_red_en", "in_intensity_green_en", "in_timestamp_en"]
        .map(|name| tree.read(&format!("scan_elements/{name}")));
    assert_eq!(switched, ["1", "1", "0"]);
    assert_eq!(tree.read("buffer/enable"), "0");
}

#[tokio::test]
async fn frames_come_piece_by_piece_through_a_pipe_and_one_that_never_comes_is_silence() {
    let tree = Tree::with(SCAN);
    trigger(&tree);
    let node = tree.0.path().join("dev/iio:device0");
    nix::unistd::mkfifo(&node, nix::sys::stat::Mode::S_IRWXU).unwrap();
    let mut meter = tree.open(BUFFERED).await.unwrap();
    let path = node.clone();
    let pieces = tokio::task::spawn_blocking(move || {
        let mut pipe = fs::File::options().write(true).open(path).unwrap();
        for piece in [&[0x20, 0, 0][..], &[0, 0], &[9, 0, 0]] {
            std::io::Write::write_all(&mut pipe, piece).unwrap();
            std::thread::park_timeout(Duration::from_millis(10));
        }
    });
    let values: [f64; 3] = light(meter.as_mut()).await.xyz().unwrap().into();
    assert_eq!(values, [4.5, 1.0, 0.0]);
    pieces.await.unwrap();
    let fault = measure(meter.as_mut(), None).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Silent && fault.to_string().contains("trigger"), "{fault}");
    assert_eq!(tree.read("buffer/enable"), "0");
}

#[tokio::test]
async fn a_buffer_that_cannot_be_used_is_told_at_opening() {
    let tree = Tree::with(SCAN);
    let fault = tree.open(BUFFERED).await.unwrap_err();
    assert!(fault.to_string().contains("no trigger is called \"beat\"; there is none"), "{fault}");
    trigger(&tree);
    let fault = tree.open(&BUFFERED.replace("trigger = \"beat\"\n", "")).await.unwrap_err();
    assert!(fault.to_string().contains("needs a trigger") && fault.to_string().contains("beat"), "{fault}");
    tree.write("scan_elements/in_intensity_red_type", "odd");
    let fault = tree.open(BUFFERED).await.unwrap_err();
    assert!(fault.kind() == FaultKind::Refused && fault.to_string().contains("\"odd\""), "{fault}");
    tree.write("buffer/enable", "1");
    assert_eq!(tree.open(BUFFERED).await.unwrap_err().kind(), FaultKind::Busy);
}
