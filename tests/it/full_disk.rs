//! A disk that is full, or may not be written: on small disks of their own, which only root may make.

use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use nix::mount::{MntFlags, MsFlags, mount, umount2};
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::others::need_root;

const CONFIG: &str = "[log]\npath = \"disk/log.sqlite\"\nwarn_below = \"3 MiB\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n\
    display = \"backlit\"\ninstant = true\n";

/// Bytes of the disk.
const SIZE: u64 = 6 << 20;

/// A disk in memory, at a folder.
struct Disk(PathBuf);

impl Disk {
    fn at(folder: PathBuf, flags: MsFlags) -> Self {
        need_root();
        std::fs::create_dir(&folder).unwrap();
        let size = format!("size={SIZE}");
        mount(Some("tmpfs"), &folder, Some("tmpfs"), flags, Some(size.as_str())).unwrap();
        Self(folder)
    }

    fn remount(&self, flags: MsFlags) {
        mount(None::<&str>, &self.0, None::<&str>, flags | MsFlags::MS_REMOUNT, None::<&str>).unwrap();
    }

    /// Fills it but for so many bytes.
    fn fill(&self, left: u64) {
        let file = std::fs::File::options().create(true).append(true).open(self.filler()).unwrap();
        loop {
            let disk = nix::sys::statvfs::statvfs(&self.0).unwrap();
            let free = disk.blocks_available() * disk.fragment_size();
            let Some(more) = free.checked_sub(left).filter(|more| *more > 0) else { return };
            let bytes = vec![1; usize::try_from(more).unwrap()];
            let at = file.metadata().unwrap().len();
            // The last may not go in whole.
            if file.write_at(&bytes, at).is_err() {
                return;
            }
        }
    }

    fn filler(&self) -> PathBuf {
        self.0.join("filler")
    }

    fn clear(&self) {
        std::fs::remove_file(self.filler()).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // Whatever still has a file on it.
        let _gone = umount2(&self.0, MntFlags::MNT_DETACH).is_ok();
    }
}

fn read(client: &mut Client) -> (u64, bool) {
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    let unlogged = reading["flags"].as_array().unwrap().contains(&json!("unlogged"));
    (reading["sequence"].as_u64().unwrap(), unlogged)
}

fn status(client: &mut Client) -> Value {
    client.call("daemon.status", &json!({}))["log"].take()
}

fn kinds(client: &mut Client) -> Vec<String> {
    let events = client.call("log.events", &json!({}));
    let kinds = events["events"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap());
    kinds.map(str::to_owned).collect()
}

/// Reads until the log takes a reading again.
fn until_logged(client: &mut Client) -> u64 {
    let mut number = 0;
    wait_until("readings are logged again", || {
        let (next, unlogged) = read(client);
        number = next;
        !unlogged
    });
    number
}

fn on(folder: &Path) -> PathBuf {
    folder.join("disk")
}

#[test]
fn a_full_disk_costs_no_reading_but_its_place_in_the_log_and_is_over_once_there_is_room() {
    let mut daemon = Daemon::configured(CONFIG);
    let disk = Disk::at(on(&daemon.path("")), MsFlags::empty());
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let before: Vec<u64> = (0..30).map(|_| read(&mut client).0).collect();
    assert_eq!(status(&mut client)["room"]["low"], false, "{}", status(&mut client));
    // Nearly full: what isn't a reading still has room. Then full to the last byte.
    let mut last = 30;
    for (left, times) in [(500_000, 1), (0, 2)] {
        disk.fill(left);
        wait_until("readings go out unlogged", || {
            let (next, unlogged) = read(&mut client);
            assert!(next > last, "{next} after {last}");
            last = next;
            unlogged
        });
        for _ in 0..20 {
            let (next, unlogged) = read(&mut client);
            assert!(unlogged && next > last);
            last = next;
        }
        let told = status(&mut client);
        assert_eq!((&told["room"]["low"], &told["writing"]), (&json!(true), &json!(false)), "{told}");
        assert!(told["unlogged"].as_u64().unwrap() >= 20 * times, "{told}");
        disk.clear();
        // By itself, even where nobody asks for a reading.
        wait_until("the log is written again", || status(&mut client)["writing"] == true);
        last = until_logged(&mut client);
        let kinds = kinds(&mut client);
        let count = |kind: &str| kinds.iter().filter(|found| *found == kind).count() as u64;
        assert_eq!((count("log_failed"), count("disk_low")), (times, times), "{kinds:?}");
    }
    let logged: Vec<u64> =
        client.logged().iter().map(|reading| reading["sequence"].as_u64().unwrap()).collect();
    assert_eq!(logged[..30], before);
    assert!(logged.contains(&last));
    let checked = client.call("log.check", &json!({}));
    assert_eq!(checked["sound"], true, "{checked}");
    daemon.kill();
    daemon.launch();
    assert!(read(&mut daemon.client()).0 > last);
}

#[test]
fn a_disk_that_is_full_from_the_start_is_no_reason_not_to_measure() {
    let mut daemon = Daemon::configured(CONFIG);
    let disk = Disk::at(on(&daemon.path("")), MsFlags::empty());
    disk.fill(0);
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let (first, unlogged) = read(&mut client);
    assert!(unlogged, "{first}");
    disk.clear();
    assert!(until_logged(&mut client) > first);
    assert!(kinds(&mut client).contains(&"daemon_started".to_owned()));
}

#[test]
fn a_disk_that_may_only_be_read_is_written_once_it_may_be() {
    let mut daemon = Daemon::configured(CONFIG);
    let disk = Disk::at(on(&daemon.path("")), MsFlags::MS_RDONLY);
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let (first, unlogged) = read(&mut client);
    let told = status(&mut client);
    assert!(unlogged && told["reason"].as_str().unwrap().contains("Read-only"), "{told}");
    disk.remount(MsFlags::empty());
    assert!(until_logged(&mut client) > first);
    drop(client);
    // With a log on it, too.
    daemon.kill();
    disk.remount(MsFlags::MS_RDONLY);
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let (second, unlogged) = read(&mut client);
    assert!(unlogged && second > first);
    disk.remount(MsFlags::empty());
    assert!(until_logged(&mut client) > second);
}
