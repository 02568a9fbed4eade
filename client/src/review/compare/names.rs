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
        "tracking" => "greys from 10 % up, luminance off the aim",
        "tracking_dark" => "greys below 10 %, luminance off the aim",
        "hlg_gamma" => "system gamma",
        "tracking_end" => "signal up to which ST 2084 is followed",
        "grey_balance" => "greys from 10 % up, largest Δu′v′",
        "grey_near_black" => "greys below 10 %, largest Δu′v′",
        "grey_difference" => "greys from 10 % up, mean ΔE",
        "near_black" => "luminance off the aim",
        "near_black_exponent" => "exponent below 10 %",
        "gamut_sum" => "red, green and blue together off white",
        "chart_mean" => "mean ΔE",
        "chart_worst" => "largest ΔE",
        "chart_spread" => "ΔE that 95 % are within",
        "chart_luv" => "mean ΔE*uv",
        "limiter" => "largest window over the brightest",
        "small_windows" => "smallest windows off the peak",
        "exponent" => "exponent of the limiter",
        "creep" | "warm_up" => "change from the first reading to the end",
        "end_rate" => "change a minute at the end",
        "within_1_percent" => "time until within 1 % of the limit",
        "within_half_percent" => "time until within 0.5 % of the limit",
        "not_reached" => "left to go at the end",
        "white_drift" => "Δu′v′ from the first readings to the last",
        "ghost" => "contrast of the ghost",
        "gone" => "time until the ghost is gone",
        "ghost_colour" => "Δu′v′ of the ghost",
        "luminance" => "luminance off the centre (shall)",
        "luminance_recommended" => "luminance off the centre (should)",
        "colour" => "largest Δu′v′ from the centre",
        "min_to_max" => "Lmin/Lmax",
        "reflected" => "reflected light over black",
        "own_black" => "black without what is reflected",
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
            ("gamut_sum", "red, green and blue together off white"),
            ("saturation_red", "towards red, mean ΔE"),
            ("contrast", "contrast"),
            ("of_a_later_version", "of a later version"),
        ] {
            assert_eq!(super::subject(name), words);
        }
    }
}
