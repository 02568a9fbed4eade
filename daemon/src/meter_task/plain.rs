//! A reading that tests begin with: of 1 cd/m², and nothing special about it.

use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::reading::Reading;
use settled_protocol::time::Timestamp;

pub(crate) fn plain_reading() -> Reading {
    Reading {
        sequence: 1,
        meter: "m".to_owned(),
        at: Timestamp::from_unix_ns(0),
        t_s: 0.0,
        began_s: 0.0,
        boot: String::new(),
        integration_s: None,
        light: Light::amount(Photometric::Luminance, 1.0).unwrap(),
        spectrum: None,
        observer: None,
        bandwidth_nm: None,
        correction: None,
        temperature_c: None,
        runs: Vec::new(),
        flags: Vec::new(),
    }
}
