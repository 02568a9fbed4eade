//! Where objects are on the bus.

/// The manager's.
pub(super) const ROOT: &str = "/io/github/settled1";

/// A meter's. What a path may not hold stands in it as `_` and two hexadecimal digits, so that no two ids share one; the same for a
/// digit at the beginning, as is the custom.
pub(super) fn of(id: &str) -> String {
    let mut path = format!("{ROOT}/meters/");
    for (index, byte) in id.bytes().enumerate() {
        if byte.is_ascii_alphabetic() || (byte.is_ascii_digit() && index > 0) {
            path.push(char::from(byte));
        } else {
            path.push_str(&format!("_{byte:02x}"));
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_a_meter_is_called_it_has_a_path_of_its_own() {
        let ids = ["bench", "bench-2", "bench_2", "bench.2", "2", "_2", "_32"];
        let paths = ids.map(of);
        let expected = ["bench", "bench_2d2", "bench_5f2", "bench_2e2", "_32", "_5f2", "_5f32"];
        assert_eq!(paths, expected.map(|label| format!("/io/github/settled1/meters/{label}")));
        for path in paths {
            assert!(zbus::ObjectPath::try_from(path).is_ok());
        }
    }
}
