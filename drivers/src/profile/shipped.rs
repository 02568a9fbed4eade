//! The profiles that come with this crate. The instruments are made up.

use std::path::Path;

/// Names and texts.
pub const PROFILES: &[(&str, &str)] = &[
    ("lab-tristimulus", include_str!("../../profiles/lab-tristimulus.toml")),
    ("bench-luminance", include_str!("../../profiles/bench-luminance.toml")),
    ("pocket-illuminance", include_str!("../../profiles/pocket-illuminance.toml")),
];

/// The text of the profile of that name, with or without `.toml`.
#[must_use]
pub fn text(name: &Path) -> Option<&'static str> {
    let name = name.to_str()?;
    let name = name.strip_suffix(".toml").unwrap_or(name);
    PROFILES.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}
