//! What is measured of the displays: plans with few steps of every kind.

/// A mode with the sequences that all have, greys and greys near black in so many steps; more may follow.
macro_rules! mode {
    ($title:literal, $name:literal, $transfer:literal, $primaries:literal, $greys:literal, $near_black:literal $(, $more:literal)?) => {
        concat!(
            "title = \"", $title, "\"\n[[set]]\nname = \"", $name, "\"\nbits = 10\nrange = \"full\"\ntransfer = \"", $transfer,
            "\"\nprimaries = \"", $primaries, "\"\nwindow_percent = 10\n[[set.sequence]]\nkind = \"grey\"\nsteps = ", $greys,
            "\n[[set.sequence]]\nkind = \"near_black\"\nup_to = 0.1\nsteps = ", $near_black,
            "\n[[set.sequence]]\nkind = \"primaries\"\n[[set.sequence]]\nkind = \"saturation\"\nsteps = 4\n[[set.sequence]]\nkind = \"chart\"\n",
            $($more)?
        )
    };
}

/// All that is to be said of an SDR mode.
pub(crate) const SDR: &str = mode!(
    "SDR",
    "SDR",
    "bt1886",
    "bt709",
    21,
    10,
    r#"
[[set.sequence]]
kind = "window"
areas_percent = [1, 2, 5, 10, 18, 25, 50, 75, 100]
[[set.sequence]]
kind = "uniformity"
columns = 3
rows = 3
signal = 0.75
[[set.sequence]]
kind = "peak_hold"
hold = "120s"
rest = "10min"
[[set.sequence]]
kind = "cold_start"
watch = "60min"
signal = 0.8
[[set.sequence]]
kind = "retention"
hold = "10min"
watch = "10min"
signal = 0.3
[[set.sequence]]
kind = "ambient"
"#
);

/// An HDR mode by ST 2084.
pub(crate) const PQ: &str = mode!("HDR, PQ", "HDR PQ", "pq", "bt2020", 65, 20);

/// An HDR mode by hybrid log-gamma.
pub(crate) const HLG: &str = mode!("HDR, HLG", "HDR HLG", "hlg", "bt2020", 21, 10);
