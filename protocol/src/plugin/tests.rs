use proptest::prelude::*;

use super::*;
use crate::message::{Incoming, request_line};

fn nonsense(line: &str) -> String {
    Said::decode(line.as_bytes()).expect_err("it is nonsense").to_string()
}

#[test]
fn an_answer_comes_back_as_it_was_written() {
    let measured =
        Measured { luminance_cd_m2: Some(101.25), integration_s: Some(0.4), ..Measured::default() };
    let line = answer_line(&RequestId::Number(7), Ok(&measured)).unwrap();
    let Said::Answer { id: 7, outcome: Ok(result) } = Said::decode(line.as_bytes()).unwrap() else {
        panic!("{line}")
    };
    assert_eq!(serde_json::from_str::<Measured>(result.get()).unwrap(), measured);
}

#[test]
fn every_kind_of_fault_comes_back_as_it_was_written() {
    for kind in PluginFault::ALL {
        let error = PluginError::new(kind, "so it was");
        let line = answer_line(&RequestId::Number(1), Err::<&Nothing, _>(&error)).unwrap();
        match Said::decode(line.as_bytes()).unwrap() {
            Said::Answer { id: 1, outcome: Err(found) } => assert_eq!(found.kind(), kind, "{line}"),
            other => panic!("{line}: {other:?}"),
        }
    }
}

#[test]
fn an_error_without_a_kind_or_with_a_strange_one_is_refused() {
    for (error, kind) in [
        (r#"{"code":1,"message":"no"}"#, PluginFault::Refused),
        (r#"{"code":-32601,"message":"no such method"}"#, PluginFault::Unsupported),
        (r#"{"code":1,"message":"no","data":{"kind":"on_fire"}}"#, PluginFault::Refused),
    ] {
        let line = format!(r#"{{"jsonrpc":"2.0","id":1,"error":{error}}}"#);
        match Said::decode(line.as_bytes()).unwrap() {
            Said::Answer { outcome: Err(found), .. } => assert_eq!(found.kind(), kind, "{line}"),
            other => panic!("{line}: {other:?}"),
        }
    }
}

#[test]
fn what_is_neither_an_answer_nor_a_farewell_is_named() {
    assert!(nonsense("hello").contains("expected value"));
    assert!(nonsense("").contains("EOF"));
    assert_eq!(nonsense(r#"{"id":1,"result":{}}"#), "jsonrpc must be \"2.0\"");
    assert!(nonsense(r#"{"jsonrpc":"2.0","result":{}}"#).starts_with("id must be"));
    assert!(nonsense(r#"{"jsonrpc":"2.0","id":"1","result":{}}"#).contains("invalid type"));
    assert!(nonsense(r#"{"jsonrpc":"2.0","id":1}"#).starts_with("a response has a result"));
    assert!(nonsense(r#"{"jsonrpc":"2.0","method":"meter.sings","params":{}}"#).contains("nothing unasked"));
    // Python writes what isn't finite like this.
    assert!(
        nonsense(r#"{"jsonrpc":"2.0","id":1,"result":{"luminance_cd_m2":NaN}}"#).contains("expected value")
    );
}

#[test]
fn the_instruments_farewell_needs_no_reason() {
    for line in [
        r#"{"jsonrpc":"2.0","method":"meter.gone"}"#,
        r#"{"jsonrpc":"2.0","method":"meter.gone","params":{}}"#,
    ] {
        assert!(matches!(Said::decode(line.as_bytes()), Ok(Said::Gone(Gone { reason: None }))), "{line}");
    }
}

#[test]
fn a_request_is_what_a_plugin_in_rust_decodes() {
    let params = MeasureParams { integration_s: Some(0.5) };
    let line = request_line::<MeterMeasure>(&RequestId::Number(3), &params).unwrap();
    let Incoming::Single(Ok(call)) = Incoming::decode(line.as_bytes()) else { panic!("{line}") };
    assert_eq!((call.method.as_str(), call.params::<MeterMeasure>().unwrap()), ("meter.measure", params));
}

#[test]
fn a_result_that_does_not_fit_names_the_member() {
    let found =
        result::<MeterOpen>(r#"{"model":"m","kind":"photometer","quantities":["luminance","scent"]}"#);
    let found = found.unwrap_err().to_string();
    assert!(found.starts_with("result.quantities[1]: unknown variant `scent`"), "{found}");
    let found = result::<MeterMeasure>(r#"{"xyz":[1,2,"3"]}"#).unwrap_err().to_string();
    assert!(found.starts_with("result.xyz[2]: invalid type: string \"3\""), "{found}");
    assert_eq!(result::<Hello>("{}").unwrap_err().to_string(), "result: missing field `protocol`");
}

#[test]
fn deep_nesting_costs_no_stack() {
    let deep =
        format!(r#"{{"jsonrpc":"2.0","id":1,"result":{}1{}}}"#, "[".repeat(100_000), "]".repeat(100_000));
    if let Ok(Said::Answer { outcome: Ok(result), .. }) = Said::decode(deep.as_bytes()) {
        assert!(serde_json::from_str::<Measured>(result.get()).is_err());
        assert!(serde_json::from_str::<Opened>(result.get()).is_err());
    }
}

proptest! {
    #[test]
    fn whatever_a_plugin_says_is_decoded_or_named(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let outcome = Said::decode(&bytes);
        prop_assert!(outcome.is_err() || !bytes.is_empty());
    }

    #[test]
    fn a_line_cut_anywhere_is_nonsense(cut in 0_usize..80) {
        let line = r#"{"jsonrpc":"2.0","id":1,"result":{"luminance_cd_m2":1.5,"integration_s":0.5}}"#;
        if cut < line.len() {
            prop_assert!(Said::decode(&line.as_bytes()[..cut]).is_err());
        }
    }

    #[test]
    fn members_in_any_shape_do_no_harm(member in "(luminance_cd_m2|xyz|xy|spectrum|model|kind|quantities|range|zero)", value in "[\\[\\]{}0-9e.,:\"a-z-]{0,40}") {
        let text = format!("{{\"{member}\":{value}}}");
        if let Ok(measured) = serde_json::from_str::<Measured>(&text) {
            let numbers = [measured.luminance_cd_m2, measured.illuminance_lx, measured.integration_s];
            prop_assert!(numbers.iter().flatten().all(|number| number.is_finite()));
        }
        // An instrument without a model is none.
        prop_assert!(serde_json::from_str::<Opened>(&text).is_err());
    }
}
