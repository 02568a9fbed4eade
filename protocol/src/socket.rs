//! Where the socket is, for the daemon and its clients alike.

use std::path::PathBuf;

/// The environment variable that names the socket.
pub const VARIABLE: &str = "SETTLED_SOCKET";

/// Candidates in order, the best first: `SETTLED_SOCKET` alone if it is set; else the user's own, then the system's.
///
/// `variable` looks an environment variable up. The daemon takes the first; a client the first that exists.
#[must_use]
pub fn candidates(variable: impl Fn(&str) -> Option<PathBuf>) -> Vec<PathBuf> {
    let set = |name| variable(name).filter(|path| !path.as_os_str().is_empty());
    if let Some(path) = set(VARIABLE) {
        return vec![path];
    }
    let own = set("XDG_RUNTIME_DIR").map(|folder| folder.join("settled/socket"));
    own.into_iter().chain([PathBuf::from("/run/settled/socket")]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_variable_wins_over_the_users_folder_over_the_systems() {
        let all = |name: &str| Some(PathBuf::from(format!("/{name}")));
        assert_eq!(candidates(all), [PathBuf::from("/SETTLED_SOCKET")]);
        let own = |name: &str| (name == "XDG_RUNTIME_DIR").then(|| PathBuf::from("/user"));
        assert_eq!(
            candidates(own),
            [PathBuf::from("/user/settled/socket"), PathBuf::from("/run/settled/socket")]
        );
        assert_eq!(candidates(|_| Some(PathBuf::new())), [PathBuf::from("/run/settled/socket")]);
    }
}
