//! What is measured of the displays: plans with few steps of every kind.

/// All that is to be said of an SDR mode.
pub(crate) const SDR: &str = r#"
title = "SDR"
[[set]]
name = "SDR"
bits = 10
range = "full"
transfer = "bt1886"
primaries = "bt709"
window_percent = 10
[[set.sequence]]
kind = "grey"
steps = 21
[[set.sequence]]
kind = "near_black"
up_to = 0.1
steps = 10
[[set.sequence]]
kind = "primaries"
[[set.sequence]]
kind = "saturation"
steps = 4
[[set.sequence]]
kind = "chart"
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
"#;

/// An HDR mode by ST 2084.
pub(crate) const PQ: &str = r#"
title = "HDR, PQ"
[[set]]
name = "HDR PQ"
bits = 10
range = "full"
transfer = "pq"
primaries = "bt2020"
window_percent = 10
[[set.sequence]]
kind = "grey"
steps = 65
[[set.sequence]]
kind = "near_black"
up_to = 0.1
steps = 20
[[set.sequence]]
kind = "primaries"
[[set.sequence]]
kind = "saturation"
steps = 4
[[set.sequence]]
kind = "chart"
"#;

/// An HDR mode by hybrid log-gamma.
pub(crate) const HLG: &str = r#"
title = "HDR, HLG"
[[set]]
name = "HDR HLG"
bits = 10
range = "full"
transfer = "hlg"
primaries = "bt2020"
window_percent = 10
[[set.sequence]]
kind = "grey"
steps = 21
[[set.sequence]]
kind = "near_black"
up_to = 0.1
steps = 10
[[set.sequence]]
kind = "primaries"
[[set.sequence]]
kind = "saturation"
steps = 4
[[set.sequence]]
kind = "chart"
"#;
