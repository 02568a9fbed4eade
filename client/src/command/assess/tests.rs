use super::*;

fn decide(text: &str) -> Result<Vec<serde_json::Value>, String> {
    let criteria = settled_protocol::settling::Criteria::default();
    let mut series: BTreeMap<String, Series> = BTreeMap::new();
    for record in records(text.as_bytes(), "t", text.trim_start().starts_with('{')) {
        let record = record?;
        series
            .entry(record.id.clone())
            .or_insert_with_key(|id| Series::new(id.clone(), criteria))
            .take(&record)?;
    }
    Ok(series.values().map(|series| serde_json::to_value(series.end()).unwrap()).collect())
}

#[test]
fn interleaved_series_are_told_apart() {
    let mut text = r#"{"id":"quick","criteria":{"hold_s":20}}"#.to_owned();
    for t in 0..300 {
        text += &format!("\n{{\"id\":\"quick\",\"t_s\":{t},\"Y\":{}}}", 100.0 + 0.01 * f64::from(t % 7));
        text += &format!(
            "\n{{\"meter\":\"ramp\",\"t_s\":{t},\"luminance_cd_m2\":{}}}",
            100.0 + 0.1 * f64::from(t)
        );
    }
    let decisions = decide(&text).unwrap();
    assert_eq!(
        (decisions[0]["id"].as_str(), decisions[0]["verdict"].as_str()),
        (Some("quick"), Some("settled"))
    );
    assert!(decisions[0]["t_settled_s"].as_f64().unwrap() < 25.0);
    assert_ne!(decisions[1]["verdict"], "settled");
}

#[test]
fn csv_with_a_header_works_too() {
    let rows: String = (0..100).map(|t| format!("{t}, 50.0{}, 0.1978, 0.4683\n", t % 3)).collect();
    let decisions = decide(&format!("t_s, Y, u_prime, v_prime\n{rows}")).unwrap();
    assert_eq!(decisions[0]["verdict"], "settled");
    assert!(decisions[0]["u_prime"].is_f64());
}

#[test]
fn a_mistake_names_its_line_and_what_is_wrong() {
    let bad_json = decide("{\"t_s\":1,\"Y\":2}\n{\"t_s\":\"now\",\"Y\":2}\n").unwrap_err();
    assert!(bad_json.starts_with("t:2: invalid type"), "{bad_json}");
    let backwards = decide("{\"t_s\":2,\"Y\":2}\n{\"t_s\":1,\"Y\":2}\n").unwrap_err();
    assert!(backwards.contains("times must rise"), "{backwards}");
    let nothing = decide("{\"id\":\"a\",\"t_s\":2}\n").unwrap_err();
    assert!(nothing.contains("needs t_s and Y"), "{nothing}");
    let csv = decide("t_s,Y\n1,bright\n").unwrap_err();
    assert!(csv.contains("line: 2"), "{csv}");
    assert!(decide("{\"criteria\":{\"hold_s\":-1}}\n").unwrap_err().contains("hold_s"));
}
