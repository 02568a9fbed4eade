//! A reading's spectrum: in words and as a curve, or as two columns.

use settled_protocol::colorimetry::peaks::{Peak, peaks, radiance};
use settled_protocol::quantity::Photometric;
use settled_protocol::spectrum::Spectrum;

use crate::plot::Plot;
use crate::show;

/// Peaks that are told: the rest of a line spectrum is better looked at.
const MOST_PEAKS: usize = 6;

/// Columns and rows of the curve.
const CURVE: (usize, usize) = (64, 9);

/// A dot's share of the curve's height: four in a row.
const DOT: f64 = 1.0 / 36.0;

/// What is said of a spectrum beside the light that it sums up to.
pub(super) fn rows(spectrum: &Spectrum, photometric: Photometric) -> Vec<(&'static str, String)> {
    let range = format!(
        "{} to {} nm by {} nm",
        show::wavelength(spectrum.start_nm()),
        show::wavelength(spectrum.end_nm()),
        show::wavelength(spectrum.step_nm())
    );
    let found = peaks(spectrum);
    let mut words: Vec<String> = found.iter().take(MOST_PEAKS).map(peak).collect();
    if found.len() > MOST_PEAKS {
        words.push(format!("and {} lower ones", found.len() - MOST_PEAKS));
    }
    let (name, unit) = match photometric {
        Photometric::Luminance => ("radiance", "W/(m²·sr)"),
        Photometric::Illuminance => ("irradiance", "W/m²"),
    };
    let mut rows = vec![("spectrum", range)];
    if !words.is_empty() {
        rows.push((if found.len() == 1 { "peak" } else { "peaks" }, words.join(", ")));
    }
    rows.push((name, format!("{} {unit}", show::number(radiance(spectrum)))));
    rows
}

fn peak(peak: &Peak) -> String {
    let width = peak.fwhm_nm.map_or_else(String::new, |width| format!(" ({width:.1} nm wide)"));
    format!("{:.1} nm{width}", peak.wavelength_nm)
}

/// The curve, its unit above it.
pub(super) fn curve(spectrum: &Spectrum, photometric: Photometric, ascii: bool) -> Vec<String> {
    let plot = Plot { width: CURVE.0, height: CURVE.1, levels: &[0.0], ascii, across: None };
    let ends = [spectrum.start_nm(), spectrum.end_nm()].map(|nm| format!("{} nm", show::wavelength(nm)));
    let mut lines = vec![format!("  {}", unit(photometric))];
    lines.extend(plot.rows(&points(spectrum)));
    lines.push(plot.foot(&ends[0], &ends[1]));
    lines
}

/// Two columns: wavelengths and values, with a header.
pub(in crate::command) fn columns(spectrum: &Spectrum, photometric: Photometric) -> Vec<u8> {
    let name = match photometric {
        Photometric::Luminance => "radiance_W_sr-1_m-2_nm-1",
        Photometric::Illuminance => "irradiance_W_m-2_nm-1",
    };
    let mut text = format!("wavelength_nm,{name}\n");
    for (nm, value) in wavelengths(spectrum).zip(spectrum.values()) {
        text.push_str(&format!("{},{}\n", show::wavelength(nm), show::exact(*value)));
    }
    text.into_bytes()
}

fn unit(photometric: Photometric) -> &'static str {
    match photometric {
        Photometric::Luminance => "W/(m²·sr·nm)",
        Photometric::Illuminance => "W/(m²·nm)",
    }
}

#[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
fn wavelengths(spectrum: &Spectrum) -> impl Iterator<Item = f64> {
    (0..spectrum.values().len()).map(|index| spectrum.start_nm() + spectrum.step_nm() * index as f64)
}

/// The values, with points between them on straight lines, close enough for a curve without gaps.
fn points(spectrum: &Spectrum) -> Vec<(f64, f64)> {
    const BETWEEN: u32 = 16;
    let largest = spectrum.values().iter().copied().fold(0.0, f64::max);
    // What is below zero by less than a dot is drawn on it, so that the axis ends there.
    let drawn = |value: f64| if value < 0.0 && value > -DOT * largest { 0.0 } else { value };
    let known: Vec<(f64, f64)> =
        wavelengths(spectrum).zip(spectrum.values().iter().map(|value| drawn(*value))).collect();
    let joined = known.windows(2).flat_map(|pair| {
        let [(x0, y0), (x1, y1)] = [pair[0], pair[1]];
        (0..BETWEEN).map(move |point| {
            let share = f64::from(point) / f64::from(BETWEEN);
            (x0 + share * (x1 - x0), y0 * (1.0 - share) + y1 * share)
        })
    });
    joined.chain(known.last().copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> Spectrum {
        let values: Vec<f64> =
            (0..101).map(|i| 0.02 * (-((f64::from(i) - 37.0) / 6.0).powi(2)).exp()).collect();
        Spectrum::new(380.0, 4.0, values).unwrap()
    }

    #[test]
    fn a_spectrum_is_told_by_its_range_its_peaks_and_its_radiance() {
        let rows = rows(&line(), Photometric::Luminance);
        assert_eq!(rows[0], ("spectrum", "380 to 780 nm by 4 nm".to_owned()));
        assert_eq!(rows[1], ("peak", "528.0 nm (40.0 nm wide)".to_owned()));
        assert!(rows[2].0 == "radiance" && rows[2].1.ends_with(" W/(m²·sr)"), "{rows:?}");
        let flat = Spectrum::new(380.0, 4.0, vec![0.5; 101]).unwrap();
        assert_eq!(super::rows(&flat, Photometric::Illuminance)[1], ("irradiance", "200.00 W/m²".to_owned()));
    }

    #[test]
    fn the_curve_stands_over_its_wavelengths() {
        let curve = curve(&line(), Photometric::Luminance, true);
        let peak = curve[1].split('|').nth(1).unwrap();
        let column = peak.find('*').unwrap();
        assert!((20..26).contains(&column), "{curve:?}");
        assert!(
            curve.last().unwrap().trim_start().starts_with("380 nm")
                && curve.last().unwrap().ends_with("780 nm")
        );
    }

    #[test]
    fn columns_are_wavelengths_and_values_to_the_last_digit() {
        let spectrum = Spectrum::new(380.0, 0.1, vec![0.1, 1.0 / 3.0, -2e-9, 1e-9]).unwrap();
        let text = String::from_utf8(columns(&spectrum, Photometric::Luminance)).unwrap();
        assert_eq!(
            text,
            "wavelength_nm,radiance_W_sr-1_m-2_nm-1\n380,0.1\n380.1,0.3333333333333333\n380.2,-2e-9\n380.3,1e-9\n"
        );
    }
}
