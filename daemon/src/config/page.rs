//! The local page: on which port, and where its token is kept.

use std::path::{Path, PathBuf};

use settled_drivers::settings::Table;

/// The local page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PageConfig {
    /// The port on this machine's loopback; 0 for one that the system chooses.
    pub port: u16,
    /// The file of the token that the page asks for; `page.token` beside the log if absent.
    pub token_file: Option<PathBuf>,
}

pub(super) fn read(table: &mut Table<'_>, folder: &Path) -> Option<PageConfig> {
    let port = table.integer("port", 0, i64::from(u16::MAX));
    let port = table.required("port", port);
    let token_file = table.text("token_file").map(|path| folder.join(path));
    Some(PageConfig { port: u16::try_from(port?).ok()?, token_file })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::tests::{load, problems};

    #[test]
    fn there_is_no_page_unless_it_has_a_port() {
        assert_eq!(load("").unwrap().page, None);
        let page = load("[page]\nport = 9760\ntoken_file = \"page.token\"\n").unwrap().page.unwrap();
        let expected = PageConfig { port: 9760, token_file: Some("/etc/bench/page.token".into()) };
        assert_eq!(page, expected);
        assert!(problems("[page]\n")[0].contains("page.port: is missing"));
        assert!(problems("[page]\nport = 65536\n")[0].contains(":2:8: page.port: expected"));
        let elsewhere = problems("[page]\nport = 9760\nlisten = \"0.0.0.0\"\n");
        assert!(elsewhere[0].contains("page.listen: unknown key"), "{elsewhere:?}");
    }
}
