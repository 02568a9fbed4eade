//! The meter that a review was measured with, as far as its record knows.

use crate::report::Fact;
use crate::review::record::Header;
use crate::review::record::attached::Attached;
use crate::show;

/// The meter, its correction, zero and warm-up as the review began. Of a record that is older than that those are told: the meter alone.
pub(in crate::report) fn facts(header: &Header) -> Vec<Fact> {
    let mut facts = vec![Fact::new("Meter", meter(header))];
    let Some(attached) = &header.attached else { return facts };
    facts.push(Fact::new("Correction", attached.correction_words()));
    facts.extend(attached.zero_words().map(|words| Fact::new("Zeroed", words)));
    facts.extend(attached.warm_up_words().map(|words| Fact::new("Meter's warm-up", words)));
    facts.extend(attached.observer.map(|observer| Fact::new("Observer", show::observer(observer))));
    let bandwidth = |nm| format!("sums over spectra are corrected for {} nm", show::wavelength(nm));
    facts.extend(attached.bandwidth_nm.map(|nm| Fact::new("Bandwidth", bandwidth(nm))));
    facts
}

fn meter(header: &Header) -> String {
    let model = header.attached.as_ref().and_then(|attached| attached.model.as_ref());
    let model = model.map_or_else(String::new, |model| format!(", {model}"));
    let serial =
        header.serial.as_ref().map_or_else(String::new, |serial| format!(", serial number {serial}"));
    format!("{}{model}{serial}", header.meter)
}

/// The programs that measured it, and the driver; nothing where the record is older than that it says so.
pub(in crate::report) fn measured_by(header: &Header) -> Option<String> {
    let Attached { settle, settled, driver, .. } = header.attached.as_ref()?;
    Some(format!("settle {settle} and settled {settled}, by the driver {driver}"))
}
