//! What figures are called beside each other: a verdict's stable name in the words of whoever reviews displays.

/// What a subject is called; its stable name with blanks where it has no words of its own.
pub(super) fn subject(subject: &str) -> String {
    if let Some(colour) = subject.strip_prefix("gamut_covers_") {
        return format!("coverage of {} in u′v′", gamut(colour));
    }
    if let Some(colour) = subject.strip_prefix("saturation_") {
        return format!("towards {colour}, mean ΔE");
    }
    let words = match subject {
        "peak" => "luminance of white",
        "black" => "luminance of black",
        "white_colour" => "white, Δu′v′ from the aim",
        "tracking" => "light off the aim from 10 % up",
        "tracking_dark" => "light off the aim below 10 %",
        "hlg_gamma" => "system gamma",
        "tracking_end" => "ST 2084 is followed up to",
        "grey_balance" => "largest Δu′v′ from 10 % up",
        "grey_near_black" => "largest Δu′v′ below 10 %",
        "grey_difference" => "mean ΔE from 10 % up",
        "near_black" => "light off the aim",
        "near_black_exponent" => "exponent below 10 %",
        "gamut_sum" => "red + green + blue off white",
        "chart_mean" => "mean ΔE",
        "chart_worst" => "largest ΔE",
        "chart_spread" => "ΔE that 95 % are within",
        "chart_luv" => "mean ΔE*uv",
        "limiter" => "largest window to the brightest",
        "small_windows" => "small windows off the peak",
        "exponent" => "exponent of the limiter",
        "creep" | "warm_up" => "from first reading to end",
        "end_rate" => "rate at the end",
        "within_1_percent" => "until within 1 %",
        "within_half_percent" => "until within 0.5 %",
        "not_reached" => "left to go at the end",
        "white_drift" => "Δu′v′ from first to last",
        "ghost" => "contrast of the ghost",
        "gone" => "until the ghost is gone",
        "ghost_colour" => "Δu′v′ of the ghost",
        "luminance" => "light off the centre (shall)",
        "luminance_recommended" => "light off the centre (should)",
        "colour" => "largest Δu′v′ from the centre",
        "min_to_max" => "Lmin/Lmax",
        "reflected" => "reflected, of black",
        "own_black" => "black without reflections",
        _ => match subject.strip_prefix("gamut_") {
            Some(colour) => return format!("{colour}, Δu′v′ from the aim"),
            None => return subject.replace('_', " "),
        },
    };
    words.to_owned()
}

fn gamut(name: &str) -> String {
    match name {
        "bt709" => "BT.709".to_owned(),
        "bt2020" => "BT.2020".to_owned(),
        other => other.to_uppercase(),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn figures_are_called_by_what_they_are() {
        for (name, words) in [
            ("gamut_covers_bt2020", "coverage of BT.2020 in u′v′"),
            ("gamut_covers_p3", "coverage of P3 in u′v′"),
            ("gamut_cyan", "cyan, Δu′v′ from the aim"),
            ("gamut_sum", "red + green + blue off white"),
            ("saturation_red", "towards red, mean ΔE"),
            ("contrast", "contrast"),
            ("of_a_later_version", "of a later version"),
        ] {
            assert_eq!(super::subject(name), words);
        }
    }
}
