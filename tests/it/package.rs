//! The Debian package: made, looked over, installed, upgraded, removed and purged, in a copy of this machine that is thrown away. Its
//! programs are those of the tests; nothing here boots systemd, so what its units do is looked at, and done by hand.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

use crate::support::daemon::{program, wait_until};
use crate::support::others::need_root;

/// What whoever administers the machine has made of the package's config.
const EDITED: &str = "[socket]\npath = \"/run/settled/socket\"\ngroup = \"settled\"\n[log]\npath = \"/var/lib/settled/log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nzero_at_start = false\nautomatic_s = 0.05\nintegration_s = [0.02, 2]\n";

/// A copy of this machine as it would be without the package, in which whatever changes is kept in memory and forgotten.
struct Copy {
    holder: Child,
    folder: TempDir,
}

impl Copy {
    fn new() -> Self {
        need_root();
        let folder = tempfile::tempdir().unwrap();
        let script = "set -e
            mount -t tmpfs -o mode=755 tmpfs \"$0\"
            mkdir \"$0/changed\" \"$0/work\" \"$0/all\"
            mount -t overlay -o lowerdir=/,upperdir=\"$0/changed\",workdir=\"$0/work\" overlay \"$0/all\"
            mount -t tmpfs -o mode=755 tmpfs \"$0/all/run\"
            for one in proc sys dev; do mount --rbind \"/$one\" \"$0/all/$one\"; done
            chroot \"$0/all\" dpkg --purge settled >&2
            rm -rf \"$0/all/var/lib/settled\" \"$0/all/etc/settled\"
            echo ready
            exec cat";
        let mut unshare = Command::new("unshare");
        unshare.args(["--mount", "--propagation", "private", "sh", "-c", script]).arg(folder.path());
        let mut holder = unshare.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(holder.stdout.take().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line, "ready\n", "a copy of this machine takes an overlay of its file system");
        Self { holder, folder }
    }

    /// A command in it.
    fn command(&self, arguments: &[&str]) -> Command {
        let mut nsenter = Command::new("nsenter");
        nsenter.arg("--target").arg(self.holder.id().to_string()).args(["--mount", "chroot"]);
        nsenter.arg(self.folder.path().join("all")).args(arguments).stdin(Stdio::null());
        nsenter.env("DEBIAN_FRONTEND", "noninteractive").env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin");
        nsenter
    }

    /// What it says; it must succeed.
    fn run(&self, arguments: &[&str]) -> String {
        let Output { status, stdout, stderr } = self.command(arguments).output().unwrap();
        let said = [stdout, stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
        assert!(status.success(), "{arguments:?}: {said}");
        said
    }

    /// A line for the shell.
    fn sh(&self, line: &str) -> String {
        self.run(&["sh", "-ec", line])
    }

    fn has(&self, path: &str) -> bool {
        self.command(&["test", "-e", path]).status().unwrap().success()
    }

    /// The daemon as its unit starts it: the folders that systemd makes for it, its user, its command.
    fn daemon(&self) -> Running<'_> {
        let unit = self.run(&["cat", "/lib/systemd/system/settled.service"]);
        let of = |key: &str| {
            unit.lines().find_map(|line| line.strip_prefix(key)).unwrap_or_else(|| panic!("{key}: {unit}"))
        };
        let (user, folder) = (of("User="), of("StateDirectory="));
        assert_eq!((user, folder, of("RuntimeDirectory=")), ("settled", "settled", "settled"));
        self.sh("install -d -o settled -g settled -m 755 /run/settled; install -d -o settled -g settled -m 750 /var/lib/settled");
        let mut arguments = vec!["setpriv", "--reuid", user, "--regid", "settled", "--init-groups"];
        arguments.extend(of("ExecStart=").split(' '));
        let trace = self.folder.path().join("trace");
        let mut child = self.command(&arguments).stderr(File::create(&trace).unwrap()).spawn().unwrap();
        let mut settle = Vec::new();
        wait_until("the installed daemon answers", || {
            let said = std::fs::read_to_string(&trace).unwrap_or_default();
            assert!(child.try_wait().unwrap().is_none(), "the installed daemon ended: {said}");
            let output = self.command(&["settle", "status"]).output().unwrap();
            if settle != output.stderr {
                eprintln!("{}", String::from_utf8_lossy(&output.stderr));
                settle = output.stderr;
            }
            output.status.success()
        });
        Running { copy: self, child: Some(child) }
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        // Its end of the pipe closes; the mounts go with the last process among them.
        let _gone = self.holder.kill().is_ok() && self.holder.wait().is_ok();
    }
}

/// The installed daemon.
struct Running<'a> {
    copy: &'a Copy,
    child: Option<Child>,
}

impl Running<'_> {
    /// A reading's sequence, as the installed client is told.
    fn read(&self) -> u64 {
        let said = self.copy.run(&["settle", "--json", "read", "bench"]);
        let reading: Value = serde_json::from_str(&said).unwrap_or_else(|error| panic!("{error}: {said}"));
        reading["sequence"].as_u64().unwrap()
    }

    fn stop(mut self) {
        let child = self.child.take().unwrap();
        let pid = nix::unistd::Pid::from_raw(i32::try_from(child.id()).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).unwrap();
        assert!(child.wait_with_output().unwrap().status.success());
    }
}

impl Drop for Running<'_> {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _gone = child.kill().is_ok() && child.wait().is_ok();
        }
    }
}

/// Makes the package of the programs that the tests run.
fn package(out: &Path) -> PathBuf {
    let programs = program("settled").parent().unwrap().to_owned();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../daemon/packaging/deb");
    let output = Command::new(script).arg("--programs").arg(programs).arg(out).output().unwrap();
    let name = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    out.join(name.trim())
}

/// The same package as a later version.
fn later(package: &Path, version: &str) -> PathBuf {
    let (tree, later) =
        (package.with_extension("tree"), package.with_file_name(format!("settled_{version}.deb")));
    let unpacked = Command::new("dpkg-deb").arg("-R").args([package, &tree]).status().unwrap();
    let control = std::fs::read_to_string(tree.join("DEBIAN/control")).unwrap();
    let version = format!("Version: {version}");
    let control: Vec<&str> =
        control.lines().map(|line| if line.starts_with("Version:") { &version } else { line }).collect();
    std::fs::write(tree.join("DEBIAN/control"), control.join("\n") + "\n").unwrap();
    let packed = Command::new("dpkg-deb")
        .args(["-Znone", "--root-owner-group", "-b"])
        .args([&tree, &later])
        .output()
        .unwrap();
    assert!(unpacked.success() && packed.status.success(), "{}", String::from_utf8_lossy(&packed.stderr));
    later
}

#[test]
fn the_packages_copyright_has_every_licence_that_is_not_in_the_crates_and_every_word_of_the_fonts() {
    let words = |path: &str| {
        let text = std::fs::read_to_string(format!("{}/../{path}", env!("CARGO_MANIFEST_DIR"))).unwrap();
        text.split_whitespace().filter(|word| *word != ".").collect::<Vec<_>>().join(" ")
    };
    let (copyright, font) = (words("daemon/packaging/debian/copyright"), words("client/fonts/LICENSE"));
    let plot = words("daemon/src/page/web/vendor/LICENSE");
    let expat = &plot[plot.find("Permission is hereby granted").unwrap()..];
    assert!(copyright.contains(expat) && copyright.contains("Files: daemon/src/page/web/vendor/*"));
    let licence = &font[font.find("Permission is hereby granted").unwrap()..];
    assert!(copyright.contains(licence) && copyright.contains("Files: client/fonts/*"), "{copyright}");
    for named in copyright.split("License: ").skip(1).map(|rest| rest.split(' ').next().unwrap()) {
        assert!(
            copyright.matches(&format!("License: {named} ")).count() >= 2,
            "{named} has no text, or no files"
        );
    }
}

#[test]
fn the_package_installs_runs_keeps_log_and_config_over_an_upgrade_and_removes_cleanly() {
    let is_here = || Path::new("/usr/share/doc/settled").exists();
    let (was_here, copy) = (is_here(), Copy::new());
    let out = tempfile::tempdir().unwrap();
    let first = package(out.path());
    let second = later(&first, "99.0");
    let lintian = Command::new("lintian")
        .args(["--fail-on", "error,warning", "--allow-root"])
        .arg(&first)
        .output()
        .unwrap();
    assert!(lintian.status.success(), "{}", String::from_utf8_lossy(&lintian.stdout));

    copy.run(&["dpkg", "--install", first.to_str().unwrap()]);
    for path in [
        "/usr/bin/settle",
        "/lib/systemd/system/settled.socket",
        "/usr/lib/systemd/user/settled.service",
        "/lib/udev/rules.d/60-settled.rules",
        "/usr/share/dbus-1/system.d/io.github.settled1.conf",
        "/usr/share/man/man1/settled.1.gz",
        "/usr/share/man/man1/settle.1.gz",
        "/usr/share/man/man1/settle-log-export.1.gz",
        "/usr/share/bash-completion/completions/settle",
        "/usr/share/doc/settled/daemon/METRICS.md",
        "/usr/share/doc/settled/client/guide/src/night.md",
        "/usr/share/doc/settled/licences.txt.gz",
    ] {
        assert!(copy.has(path), "{path} is not installed");
    }
    assert!(copy.run(&["getent", "passwd", "settled"]).contains("/var/lib/settled"));
    assert!(copy.run(&["settled", "--check"]).contains("no mistakes"));
    let verified = copy.run(&["systemd-analyze", "verify", "settled.service", "settled.socket"]);
    assert!(!verified.contains("settled"), "{verified}");
    // Once more changes nothing.
    copy.run(&["dpkg", "--install", first.to_str().unwrap()]);
    assert_eq!(copy.run(&["dpkg", "--verify", "settled"]), "");

    copy.sh(&format!("printf '%s' '{EDITED}' >/etc/settled/settled.toml"));
    let daemon = copy.daemon();
    let before = daemon.read();
    daemon.stop();
    copy.run(&["dpkg", "--install", second.to_str().unwrap()]);
    assert!(copy.run(&["dpkg-query", "--show", "settled"]).contains("99.0"));
    assert_eq!(copy.run(&["cat", "/etc/settled/settled.toml"]), EDITED);
    let daemon = copy.daemon();
    assert!(daemon.read() > before);
    let logged = copy.run(&["settle", "--json", "log", "readings"]);
    assert!(logged.lines().any(|line| line.contains(&format!("\"sequence\":{before},"))), "{logged}");
    daemon.stop();

    copy.run(&["dpkg", "--remove", "settled"]);
    assert!(!copy.has("/usr/bin/settled") && !copy.has("/lib/systemd/system/settled.service"));
    assert!(copy.has("/var/lib/settled/log.sqlite") && copy.has("/etc/settled/settled.toml"));
    copy.run(&["dpkg", "--purge", "settled"]);
    for path in ["/var/lib/settled", "/etc/settled", "/usr/share/doc/settled", "/run/settled"] {
        assert!(!copy.has(path), "{path} was left behind");
    }
    assert_eq!(is_here(), was_here, "nothing of this reached the machine itself");
}
