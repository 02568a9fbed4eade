//! Who may do what on the machine's bus: what the policy lets through, the daemon looks at once more.

use super::{CONFIG, M};
use crate::support::bus::{Bus, NAME};

const POLICY: &str = include_str!("../../../daemon/packaging/io.github.settled1.conf");

const LOOK: [&str; 5] = ["get-property", NAME, M, "io.github.settled1.Meter", "State"];
const ASK: [&str; 7] = ["call", NAME, M, "io.github.settled1.Meter", "Read", "a{sv}", "0"];

/// The policy, with nobody's own group in place of the one that it names: a test makes no groups.
fn among_us() -> String {
    let policy = POLICY.replace("group=\"settled\"", "group=\"nogroup\"");
    assert_ne!(policy, POLICY);
    policy
}

/// What nobody in particular gets who asks for a reading: the answer, or what refuses it.
fn asked(bus: &Bus) -> Result<String, String> {
    let output = bus.busctl_as_nobody(&ASK);
    let text = |bytes| String::from_utf8(bytes).unwrap();
    if output.status.success() { Ok(text(output.stdout)) } else { Err(text(output.stderr)) }
}

#[test]
fn the_policy_lets_everyone_look_and_only_its_group_ask() {
    let bus = Bus::with_policy(POLICY);
    let _daemon = bus.daemon(&format!("{CONFIG}[socket]\ngroup = \"nogroup\"\n"));
    let looked = bus.busctl_as_nobody(&LOOK);
    assert!(looked.status.success(), "{}", String::from_utf8_lossy(&looked.stderr));
    assert!(bus.busctl_as_nobody(&["introspect", NAME, M]).status.success());
    let refusal = asked(&bus).unwrap_err();
    assert!(refusal.contains("Access denied"), "{refusal}");
    assert!(bus.busctl(&ASK).output().unwrap().status.success(), "who runs the daemon may");
    // That the machine has no such user or group is all that may be wrong with it.
    let usual = ["nknown", "fd limit", "Rejected send message"];
    for line in bus.trace().lines() {
        assert!(usual.iter().any(|usual| line.contains(usual)), "{line}");
    }
    drop(_daemon);
    let bus_itself = "org.freedesktop.DBus";
    let own = ["call", bus_itself, "/org/freedesktop/DBus", bus_itself, "RequestName", "su", NAME, "0"];
    let refused = bus.busctl_as_nobody(&own);
    let words = String::from_utf8_lossy(&refused.stderr);
    assert!(words.contains("not allowed to own"), "{words}");
    assert!(bus.busctl(&own).output().unwrap().status.success(), "root may");
}

#[test]
fn whom_the_policy_lets_through_the_daemon_looks_at_as_on_its_socket() {
    let bus = Bus::with_policy(&among_us());
    let member = bus.daemon(&format!("{CONFIG}[socket]\ngroup = \"nogroup\"\n"));
    assert!(asked(&bus).is_ok_and(|answer| answer.contains("luminance_cd_m2")));
    drop(member);
    let guest = bus.daemon(&format!("{CONFIG}[socket]\nguests = \"everyone\"\n"));
    let refusal = asked(&bus).unwrap_err();
    assert!(refusal.contains("guests may not call meter.read"), "{refusal}");
    assert!(guest.trace().contains("refused") && guest.trace().contains("65534"), "{}", guest.trace());
    drop(guest);
    let _stranger = bus.daemon(CONFIG);
    let refusal = asked(&bus).unwrap_err();
    assert!(refusal.contains("user 65534 may not use this daemon"), "{refusal}");
}
