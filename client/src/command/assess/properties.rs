//! Whatever the lines are, reading them neither fails nor depends on the way that they take.

use proptest::prelude::*;

use super::input::Input;
use super::tests::records;
use super::*;

/// Pieces that lines are made of: what programs write, what people write, and what nobody should.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => r"-?(0|[1-9][0-9]{0,18})(\.[0-9]{1,19})?([eE][+-]?[0-9]{1,2})?",
        1 => Just("null".to_owned()),
        1 => Just("true".to_owned()),
        1 => Just("false".to_owned()),
        1 => r#""[a-z0-9 é\\"]{0,4}""#,
        1 => r#""[a-z]{0,4}""#,
        1 => Just(r#"{"u_prime": 0.1, "x": [1, {"a": "b"}], "v_prime":0.25}"#.to_owned()),
        1 => Just(r#"{"u_prime":0.1,"u_prime":0.1}"#.to_owned()),
        1 => Just(r#"{"hold_s":10}"#.to_owned()),
        1 => Just(r#"["simulated", "shared"]"#.to_owned()),
        1 => Just("01".to_owned()),
        1 => Just("[1,]".to_owned()),
    ]
}

fn name() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "id",
        "meter",
        "boot",
        "correction",
        "observer",
        "t_s",
        "Y",
        "luminance_cd_m2",
        "illuminance_lx",
        "u_prime",
        "v_prime",
        "integration_s",
        "chromaticity",
        "criteria",
        "resolution_cd_m2",
        "end",
        "flags",
        "x",
        "\\u0069d",
    ])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn the_quick_way_through_json_gives_what_the_full_decoder_gives(
        members in prop::collection::vec((name(), value()), 0..8),
        blank in prop::sample::select(vec!["", " ", "\t"]),
        end in prop::sample::select(vec!["}", "}\r\n", "", "} x", ",}"]),
        reading in any::<bool>(),
    ) {
        let start = if reading { "{\"t_s\":1.25,\"Y\":7" } else { "{" };
        let members: Vec<String> =
            members.iter().map(|(name, value)| format!("{blank}\"{name}\"{blank}:{blank}{value}{blank}")).collect();
        let comma = if reading && !members.is_empty() { "," } else { "" };
        let line = format!("{start}{comma}{}{end}", members.join(","));
        if let Some(quick) = flat::json(line.as_bytes()) {
            prop_assert_eq!(Ok(quick), record::json(line.as_bytes()), "{}", line);
        }
    }

    #[test]
    fn a_reading_as_programs_write_it_takes_the_quick_way(
        t_s in 0.0..1e6_f64, y in 0.0..1e5_f64, uv in prop::option::of((0.0..0.7_f64, 0.1..0.7_f64)), id in "[a-zé0-9-]{1,12}"
    ) {
        let mut line = format!("{{\"id\": \"{id}\", \"t_s\": {t_s}, \"integration_s\": 0.1, \"Y\": {y}");
        if let Some((u, v)) = uv {
            line += &format!(", \"u_prime\": {u}, \"v_prime\": {v}");
        }
        line += "}\n";
        let quick = flat::json(line.as_bytes());
        prop_assert!(quick.is_some(), "{}", line);
        let quick = quick.unwrap();
        prop_assert_eq!((&*quick.id, quick.t_s, quick.y), (&*id, Some(t_s), Some(y)));
        prop_assert_eq!(quick.uv, uv.map(|(u, v)| [u, v]));
    }

    #[test]
    fn whatever_bytes_come_it_neither_panics_nor_stops(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        for start in [&b"{\"t_s\":1,\"Y\":2}\n"[..], b"t_s,Y\n1,2\n", b""] {
            let text = [start, &bytes].concat();
            let mut input = Input::new(Box::new(&text[..]), "t");
            let mut lines = 0;
            while let Ok(Some(_)) = input.next() {
                lines += 1;
            }
            prop_assert!(lines <= text.len() + 1);
        }
    }

    #[test]
    fn a_row_gives_the_same_with_and_without_quotes(
        fields in prop::collection::vec(prop_oneof![r"[0-9]{1,3}\.[0-9]{1,4}", " ?[0-9]{1,3} ?", "[a-z]{0,3}", Just(String::new())], 4)
    ) {
        let header = "id,t_s,other,Y";
        let plain = fields.join(",");
        let quoted: Vec<String> = fields.iter().map(|field| format!("\"{field}\"")).collect();
        let [plain, quoted] = [plain, quoted.join(",")].map(|row| records(&format!("{header}\n{row}\n")).unwrap());
        prop_assert!(plain == quoted || fields.iter().all(|field| field.trim().is_empty()), "{:?}", fields);
    }
}
