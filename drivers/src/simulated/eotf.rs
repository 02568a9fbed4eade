//! From signal to light: the electro-optical transfer functions of the standards.
//!
//! Signals go from 0 to 1. The functions named after a standard are its formulas; [`Transfer`] fits them to one display.

use super::matrix::Matrix;
use super::tone::Tone;

/// Below this signal the near-black error acts. Engineering judgement.
pub(super) const NEAR_BLACK_SIGNAL: f64 = 0.1;

/// Which formula.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Eotf {
    /// ITU-R BT.1886.
    Bt1886,
    /// V^γ.
    Power(f64),
    /// IEC 61966-2-1.
    Srgb,
    /// SMPTE ST 2084, up to the display's peak.
    Pq(Tone),
    /// ITU-R BT.2100 HLG, with a system gamma of its own or that of the display's peak.
    Hlg(Option<f64>),
}

/// An EOTF on a display of a given peak and black.
#[derive(Clone, Debug)]
pub(super) struct Transfer {
    pub(super) eotf: Eotf,
    /// Luminance of white, in cd/m².
    pub(super) peak: f64,
    /// Luminance of black, in cd/m².
    pub(super) black: f64,
    /// Added to the local gamma at signals below 0.1: above 0 the shadows are too dark.
    pub(super) near_black_gamma: f64,
}

impl Transfer {
    /// Linear light of each channel: 0 is the display's black, 1 its peak. `primaries` is RGB to XYZ, white's Y being 1.
    pub(super) fn linear(&self, signal: [f64; 3], primaries: &Matrix) -> [f64; 3] {
        let Self { peak, black, .. } = *self;
        let above_black = |luminance: f64| ((luminance - black) / (peak - black)).clamp(0.0, 1.0);
        let linear = match self.eotf {
            Eotf::Bt1886 => signal.map(|v| above_black(bt1886(v, peak, black))),
            Eotf::Power(gamma) => signal.map(|v| v.powf(gamma)),
            Eotf::Srgb => signal.map(srgb),
            Eotf::Pq(tone) => signal.map(|v| (pq(tone.mapped(v, peak)) / peak).min(1.0)),
            Eotf::Hlg(gamma) => {
                let gamma = gamma.unwrap_or_else(|| hlg_gamma(peak));
                hlg(signal, peak, black, primaries[1], gamma).map(above_black)
            }
        };
        let near_black = signal.map(|v| self.near_black_factor(v));
        std::array::from_fn(|channel| linear[channel] * near_black[channel])
    }

    /// (V/0.1)^δ below a signal of 0.1, else 1: the local gamma there is off by δ.
    fn near_black_factor(&self, signal: f64) -> f64 {
        if signal > 0.0 && signal < NEAR_BLACK_SIGNAL {
            (signal / NEAR_BLACK_SIGNAL).powf(self.near_black_gamma)
        } else {
            1.0
        }
    }
}

/// L = a·max(V+b, 0)^2.4, in cd/m² (ITU-R BT.1886, Annex 1).
fn bt1886(signal: f64, white: f64, black: f64) -> f64 {
    const GAMMA: f64 = 2.4;
    let (white, black) = (white.powf(1.0 / GAMMA), black.powf(1.0 / GAMMA));
    let a = (white - black).powf(GAMMA);
    let b = black / (white - black);
    a * (signal + b).max(0.0).powf(GAMMA)
}

/// V/12.92 up to 0.04045, then ((V+0.055)/1.055)^2.4, relative (IEC 61966-2-1).
fn srgb(signal: f64) -> f64 {
    if signal <= 0.04045 { signal / 12.92 } else { ((signal + 0.055) / 1.055).powf(2.4) }
}

/// m1, m2, c1, c2 and c3 of SMPTE ST 2084.
const M1: f64 = 2610.0 / 16384.0;
const M2: f64 = 2523.0 / 4096.0 * 128.0;
const C1: f64 = 3424.0 / 4096.0;
const C2: f64 = 2413.0 / 4096.0 * 32.0;
const C3: f64 = 2392.0 / 4096.0 * 32.0;

/// 10000·(max(N^(1/m2) − c1, 0)/(c2 − c3·N^(1/m2)))^(1/m1), in cd/m² (SMPTE ST 2084; ITU-R BT.2100, table 4).
fn pq(signal: f64) -> f64 {
    let power = signal.powf(1.0 / M2);
    10_000.0 * ((power - C1).max(0.0) / (C2 - C3 * power)).powf(1.0 / M1)
}

/// The signal of a luminance in cd/m²: ((c1 + c2·Y^m1)/(1 + c3·Y^m1))^m2 with Y = L/10000 (SMPTE ST 2084; ITU-R BT.2100, table 4).
pub(super) fn pq_inverse(luminance: f64) -> f64 {
    let power = (luminance / 10_000.0).powf(M1);
    ((C1 + C2 * power) / (1.0 + C3 * power)).powf(M2)
}

/// The HLG EOTF of three channels, in cd/m² (ITU-R BT.2100, table 5): inverse OETF with black lift, then the OOTF
/// F = Lw·Ys^(γ−1)·E. `weights` are the luminances of the primaries.
fn hlg(signal: [f64; 3], white: f64, black: f64, weights: [f64; 3], gamma: f64) -> [f64; 3] {
    let lift = (3.0 * (black / white).powf(1.0 / gamma)).sqrt();
    let scene = signal.map(|v| hlg_inverse_oetf(((1.0 - lift) * v + lift).max(0.0)));
    let luminance: f64 = scene.iter().zip(weights).map(|(e, weight)| e * weight).sum();
    let scale = if luminance > 0.0 { white * luminance.powf(gamma - 1.0) } else { 0.0 };
    scene.map(|e| scale * e)
}

/// E'²/3 up to 1/2, then (exp((E'−c)/a)+b)/12 (ITU-R BT.2100, table 5).
fn hlg_inverse_oetf(signal: f64) -> f64 {
    const A: f64 = 0.178_832_77;
    const B: f64 = 0.284_668_92;
    const C: f64 = 0.559_910_73;
    if signal <= 0.5 { signal * signal / 3.0 } else { (((signal - C) / A).exp() + B) / 12.0 }
}

/// 1.2 + 0.42·log10(Lw/1000) from 400 to 2000 cd/m² (ITU-R BT.2100, note 5e); outside, 1.2·1.111^log2(Lw/1000)
/// (Report ITU-R BT.2390, clause 6.2). For a surround of 5 cd/m².
fn hlg_gamma(white: f64) -> f64 {
    if (400.0..=2000.0).contains(&white) {
        1.2 + 0.42 * (white / 1000.0).log10()
    } else {
        1.2 * 1.111_f64.powf((white / 1000.0).log2())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(value: f64, expected: f64, relative: f64) {
        assert!((value - expected).abs() <= relative * expected.abs() + 1e-12, "{value} is not {expected}");
    }

    /// ITU-R BT.1886, Annex 1, computed from the formula by two independent libraries.
    #[test]
    fn bt1886_has_the_standards_values() {
        near(bt1886(0.1, 100.0, 0.0), 0.398_107_170_6, 1e-9);
        near(bt1886(0.5, 100.0, 0.0), 18.946_457_08, 1e-9);
        near(bt1886(0.0, 100.0, 1.0), 1.0, 1e-12);
        near(bt1886(0.1, 100.0, 1.0), 3.003_509_587, 1e-9);
        near(bt1886(0.5, 100.0, 1.0), 26.319_655_97, 1e-9);
        near(bt1886(1.0, 100.0, 1.0), 100.0, 1e-12);
    }

    /// IEC 61966-2-1 at 8-bit codes 10, 30, 130 and 255.
    #[test]
    fn srgb_has_the_standards_values() {
        near(srgb(10.0 / 255.0), 0.003_035_269_835, 1e-7);
        near(srgb(30.0 / 255.0), 0.012_983_032_342, 1e-7);
        near(srgb(130.0 / 255.0), 0.223_227_957_317, 1e-7);
        near(srgb(1.0), 1.0, 1e-12);
    }

    /// SMPTE ST 2084 at 10-bit narrow-range codes 76, 172, 604, 724, 856 and 940: E' = (code/4 − 16)/219.
    #[test]
    fn pq_has_the_standards_values() {
        let cases = [
            (76.0, 0.004_164_011_718),
            (172.0, 0.571_514_810_8),
            (604.0, 285.053_997_6),
            (724.0, 1_014.762_441),
            (856.0, 4_057.494_095),
            (940.0, 10_000.0),
        ];
        for (code, luminance) in cases {
            near(pq((code / 4.0 - 16.0) / 219.0), luminance, 1e-9);
        }
        near(pq(0.0), 0.0, 1e-9);
        for (code, luminance) in cases {
            near(pq_inverse(luminance), (code / 4.0 - 16.0) / 219.0, 1e-9);
        }
    }

    /// ITU-R BT.2100, table 5, for grey, with and without black lift; the last peak lies outside 400 to 2000 cd/m².
    #[test]
    fn hlg_has_the_standards_values() {
        let weights = [0.2627, 0.678, 0.0593];
        let grey = |v, white, black| hlg([v; 3], white, black, weights, hlg_gamma(white))[1];
        near(grey(0.1, 1000.0, 0.0), 1.065_257_24, 5e-6);
        near(grey(0.5, 1000.0, 0.0), 50.697_028_5, 5e-6);
        near(grey(0.75, 1000.0, 0.0), 203.152_146, 5e-6);
        near(grey(0.75, 1000.0, 0.005), 206.504_948, 5e-6);
        near(grey(0.7, 600.0, 0.01), 106.561_19, 5e-6);
        near(grey(0.75, 4000.0, 0.0005), 567.965_371, 5e-6);
        near(grey(0.0, 600.0, 0.01), 0.01, 5e-6);
    }

    #[test]
    fn a_bt1886_display_shows_its_black_and_its_peak() {
        let transfer = Transfer { eotf: Eotf::Bt1886, peak: 100.0, black: 1.0, near_black_gamma: 0.0 };
        let primaries = super::super::matrix::IDENTITY;
        assert_eq!(transfer.linear([0.0; 3], &primaries), [0.0; 3]);
        near(transfer.linear([1.0; 3], &primaries)[0], 1.0, 1e-12);
        near(1.0 + 99.0 * transfer.linear([0.5; 3], &primaries)[2], 26.319_655_97, 1e-9);
    }

    #[test]
    fn the_near_black_error_is_a_change_of_local_gamma() {
        let transfer = Transfer { eotf: Eotf::Power(2.2), peak: 100.0, black: 0.0, near_black_gamma: 0.3 };
        let primaries = super::super::matrix::IDENTITY;
        let linear = |v| transfer.linear([v; 3], &primaries)[0];
        near((linear(0.04) / linear(0.02)).log2(), 2.5, 1e-12);
        near((linear(0.8) / linear(0.4)).log2(), 2.2, 1e-12);
        near(linear(0.1 - 1e-12), linear(0.1), 1e-9);
    }
}
