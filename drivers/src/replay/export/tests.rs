//! Readings as the client writes them.

use super::*;

const HEADER: &str = "sequence,meter,at,t_s,began_s,boot,integration_s,X,Y,Z,unit,chromaticity_x,chromaticity_y,u_prime,v_prime,temperature_c,flags";

fn read_all(text: &str, meter: Option<&str>) -> Result<Export, String> {
    read(&mut text.as_bytes(), meter, 1 << 20)
}

#[test]
fn both_forms_of_a_reading_say_the_same() {
    let json = r#"{"sequence":3,"meter":"m, n","at":"2026-11-25T18:00:00Z","t_s":1.5,"began_s":0.25,"boot":"b","integration_s":0.1,"luminance_cd_m2":120.5,"xyz":[110.25,120.5,130.125],"chromaticity":{"x":0.30550744717700035,"y":0.33391063387599584,"u_prime":0.19106417546709992,"v_prime":0.46986190089358243},"temperature_c":31.5,"flags":["simulated","shared"]}"#;
    let csv = format!(
        "{HEADER}\r\n3,\"m, n\",2026-11-25T18:00:00Z,1.5,0.25,b,0.1,110.25,120.5,130.125,cd/m2,0.305,0.334,0.19,0.47,31.5,simulated shared\r\n"
    );
    let (json, csv) = (read_all(json, None).unwrap(), read_all(&csv, None).unwrap());
    assert_eq!(json.series.exposed, csv.series.exposed);
    assert_eq!((json.meters.clone(), json.simulated), (csv.meters, csv.simulated));
    let [exposed] = json.series.exposed.as_slice() else { panic!("one reading") };
    assert_eq!((exposed.began_s, exposed.ended_s), (0.0, 1.25));
    assert!(json.simulated && json.meters.contains("m, n"));
}

#[test]
fn dark_readings_and_those_of_other_meters_are_left_out_and_what_is_not_known_stays_so() {
    let csv = format!(
        "{HEADER}\n1,a,,1,,,,,5,,lx,,,,,,\n2,a,,2,,,,,0,,lx,,,,,,dark\n3,b,,3,,,,1,2,3,,,,,,,\n4,a,,4,,,,,6,,lx,,,,,,"
    );
    let export = read_all(&csv, Some("a")).unwrap();
    // The last line is torn off: its last field may not be whole.
    let [only] = export.series.exposed.as_slice() else { panic!("{:?}", export.series.exposed) };
    let sample = only.outcome.as_ref().unwrap();
    assert_eq!(sample.light(), Some(Light::amount(Photometric::Illuminance, 5.0).unwrap()));
    assert_eq!((sample.integration_s, sample.temperature_c), (None, None));
    let b = read_all(&csv, Some("b")).unwrap();
    let light = b.series.exposed[0].outcome.as_ref().unwrap().light().unwrap();
    assert!(light.xyz().is_some() && light.chromaticity().is_none(), "too dark for a colour, it said");
}

#[test]
fn from_one_boot_to_the_next_utc_tells_how_long_it_was() {
    let csv = format!(
        "{HEADER}\n1,a,2026-11-25T18:00:00Z,500,499,x,,,5,,,,,,,,\n2,a,2026-11-25T18:00:02Z,502,501,x,,,6,,,,,,,,\n3,a,2026-11-25T18:01:02Z,7,6,y,,,7,,,,,,,,\n4,a,2026-11-25T18:01:00Z,6,5,y,,,8,,,,,,,,\n"
    );
    let export = read_all(&csv, None).unwrap();
    let times: Vec<(f64, f64)> = export.series.exposed.iter().map(|it| (it.began_s, it.ended_s)).collect();
    assert_eq!(times, [(0.0, 1.0), (2.0, 3.0), (62.0, 63.0), (63.0, 63.0)]);
}

#[test]
fn readings_that_went_through_a_correction_are_known_to_have() {
    for (column, expected) in [("", false), ("c1", true)] {
        let csv = format!("meter,t_s,X,Y,Z,correction\nm,1,95,100,108,\nm,2,95,100,108,{column}\n");
        assert_eq!(read_all(&csv, None).unwrap().series.is_corrected, expected);
        // One that isn't played has no say.
        let other = format!("meter,t_s,Y,correction\nn,1,100,{column}\nm,2,100,\n");
        assert!(!read_all(&other, Some("m")).unwrap().series.is_corrected);
    }
    let json = r#"{"sequence":3,"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1.5,"began_s":0.25,"boot":"b","luminance_cd_m2":120.5,"correction":"c1","flags":[]}"#;
    assert!(read_all(&format!("{json}\n"), None).unwrap().series.is_corrected);
}

#[test]
fn a_mistake_is_told_with_its_line() {
    for (rows, expected) in [
        ("1,a,,x,,,,,5,,,,,,,,\n", "line 2: t_s is no number"),
        ("1,a,,1,,,,,inf,,,,,,,,\n", "line 2: Y is no number"),
        ("\n1,a,,1,,,,,,,,,,,,,\n", "line 3: there is no Y"),
        ("1,a,,1,,,,,5,,fL,,,,,,\n", "line 2: the unit \"fL\""),
        ("1,\"a,,1\n", "line 2: a quote is open"),
    ] {
        let error = read_all(&format!("{HEADER}\n{rows}"), None).err().unwrap();
        assert!(error.starts_with(expected), "{error}");
    }
    let error = read_all("{\"sequence\":1}\n", None).err().unwrap();
    assert!(error.starts_with("line 1: this is no reading"), "{error}");
}

#[test]
fn light_by_another_observer_is_played_from_its_spectrum_or_not_at_all() {
    let reading = |spectrum: &str| {
        format!(
            r#"{{"sequence":3,"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1.5,"began_s":0.25,"boot":"b","luminance_cd_m2":120.5,"xyz":[110.25,120.5,130.125],"observer":"1964-10","flags":[]{spectrum}}}"#
        )
    };
    let spectrum = r#","spectrum":{"start_nm":380.0,"step_nm":4.0,"values":[0.1,0.2,0.3]}"#;
    assert_eq!(read_all(&reading(spectrum), None).unwrap().series.exposed.len(), 1);
    let csv = |observer: &str| format!("meter,t_s,X,Y,Z,observer\nm,1.5,110.25,120.5,130.125,{observer}\n");
    assert_eq!(read_all(&csv("1931-2"), None).unwrap().series.exposed.len(), 1);
    for (text, line) in [(reading(""), 1), (csv("1964-10"), 2)] {
        let error = read_all(&text, None).err().unwrap();
        assert!(error.starts_with(&format!("line {line}: ")) && error.contains("1964-10"), "{error}");
    }
    // Another meter's is nothing to this one.
    assert!(read_all(&csv("1964-10"), Some("other")).is_ok());
}

#[test]
fn no_more_is_held_than_may_be() {
    let mut csv = format!("{HEADER}\n");
    for n in 0..100 {
        csv += &format!("{n},a,,{n},,,,,5,,,,,,,,\n");
    }
    assert!(
        read(&mut csv.as_bytes(), None, 2000).err().unwrap().contains("more readings than can be played")
    );
}
