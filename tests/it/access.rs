//! Who may do what: other users of this machine connect to the real daemon.

use std::process::{Command, Output};

use serde_json::{Value, json};
use settled_protocol::method::NAMES;

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::others::{Other, User, need_root};

const METER: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// Users that no database knows, and the numbers of two groups.
const MEMBERS: u32 = 4301;
const READERS: u32 = 4300;
const MEMBER: User = User(4241, MEMBERS);
const GUEST: User = User(4242, READERS);
const STRANGER: User = User(4243, 4243);

fn shared() -> String {
    format!("[socket]\ngroup = {MEMBERS}\nguests = {READERS}\n{METER}")
}

fn refused(client: &mut Client, method: &str, params: &Value) -> String {
    let id = client.ask(method, params);
    let answer = client.answer(id);
    assert_eq!(answer["error"]["data"]["kind"], "not_permitted", "{method}: {answer}");
    answer["error"]["message"].as_str().unwrap().to_owned()
}

/// The lines about refusals that the daemon has written.
fn audit(daemon: &Daemon) -> Vec<String> {
    daemon.trace().lines().filter(|line| line.contains("refused: ")).map(ToOwned::to_owned).collect()
}

/// How many refusals they tell of.
fn told(lines: &[String]) -> u64 {
    let more = |line: &String| {
        let rest = line.split("… and ").nth(1)?;
        rest.split(' ').next()?.parse::<u64>().ok()
    };
    lines.iter().map(|line| more(line).unwrap_or(1)).sum()
}

#[test]
fn a_guest_sees_everything_and_changes_nothing() {
    let daemon = Daemon::start(&shared());
    let mut owner = daemon.client();
    let mut guest = GUEST.connect(&daemon);
    let guest = &mut guest.client;
    let may = guest.call("hello", &json!({"client": "onlooker"}))["may"].take();
    let may: Vec<&str> = may.as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
    assert!(owner.call("hello", &json!({})).get("may").is_none());
    owner.wait_for_state("m", "ready");
    let exposures = owner.exposures("m");
    guest.call("meter.observe", &json!({"meter": "m"}));
    for name in NAMES.iter().filter(|name| !may.contains(name)) {
        let message = refused(guest, name, &json!({"meter": "m"}));
        assert!(message.contains(name) && message.contains("members of the group \"4301\" may"), "{message}");
    }
    assert!(may.len() == 17 && NAMES.len() > 25);
    let message = refused(guest, "meter.observe", &json!({"meter": "m", "interval_s": 1}));
    assert!(message.contains("params.interval_s") && message.contains("meter.read"), "{message}");
    guest.send(br#"[{"jsonrpc":"2.0","id":"r","method":"meter.read","params":{"meter":"m"}},{"jsonrpc":"2.0","method":"meter.zero","params":{"meter":"m","covered":true}},{"jsonrpc":"2.0","id":"l","method":"meters.list"}]"#);
    let batch = guest.line().unwrap();
    assert_eq!(batch[0]["error"]["data"]["kind"], "not_permitted", "{batch}");
    assert!(batch[1]["result"]["meters"].is_array() && batch.as_array().unwrap().len() == 2, "{batch}");
    assert_eq!(guest.refusal("no.such", &json!({})), "method_not_found");
    assert_eq!(owner.exposures("m"), exposures, "nothing was exposed for a guest");
    let read = owner.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(guest.notice("reading")["reading"]["sequence"], read["sequence"]);
    assert_eq!(guest.call("log.readings", &json!({}))["readings"][0]["sequence"], read["sequence"]);
    // What a notification asks for is refused and told, too.
    wait_until("every refusal is told", || told(&audit(&daemon)) == (NAMES.len() - may.len()) as u64 + 3);
    let lines = audit(&daemon);
    let of_observe = lines.iter().find(|line| line.contains("method=\"meter.observe\"")).unwrap();
    assert!(of_observe.contains("client=\"onlooker\" uid=4242 pid="), "{of_observe}");
}

#[test]
fn a_guest_may_what_the_config_lists_and_no_more() {
    let config =
        format!("[socket]\nguests = \"everyone\"\nguests_may = [\"meter.read\", \"meter.observe\"]\n{METER}");
    let daemon = Daemon::start(&config);
    daemon.client().wait_for_state("m", "ready");
    let mut stranger = STRANGER.connect(&daemon);
    let client = &mut stranger.client;
    let may = client.call("hello", &json!({}))["may"].take();
    assert_eq!(may, json!(["hello", "meter.read", "meter.observe", "subscription.cancel", "request.cancel"]));
    client.call("meter.read", &json!({"meter": "m"}));
    let subscribed = client.call("meter.observe", &json!({"meter": "m", "interval_s": 0.05}));
    client.notice("reading");
    client.call("subscription.cancel", &subscribed);
    let message = refused(client, "meters.list", &json!({}));
    assert!(message.contains("whoever runs the daemon (user 0) may"), "{message}");
}

#[test]
fn the_local_pages_address_is_for_who_may_call_what_it_tells() {
    let config = format!(
        "[page]\nport = 0\n[socket]\nguests = \"everyone\"\nguests_may = [\"daemon.status\", \"page.address\"]\n{METER}"
    );
    let daemon = Daemon::start(&config);
    let mut guest = STRANGER.connect(&daemon);
    let message = refused(&mut guest.client, "page.address", &json!({}));
    assert!(message.contains("meters.list"), "{message}");
    assert!(daemon.client().call("page.address", &json!({}))["port"].is_u64(), "the owner may");
    let usual = Daemon::start(&format!("[page]\nport = 0\n[socket]\nguests = \"everyone\"\n{METER}"));
    let mut guest = STRANGER.connect(&usual);
    assert!(guest.client.call("page.address", &json!({}))["address"].is_string());
}

#[test]
fn a_stranger_is_told_whom_to_ask_and_not_one_byte_more() {
    let daemon = Daemon::start(&shared());
    let request = "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"meters.list\"}\n";
    for sent in ["", request, &request.repeat(1000)] {
        let output = STRANGER.say(&daemon, sent);
        let said = String::from_utf8(output.stdout).unwrap();
        let answer: Value = serde_json::from_str(said.strip_suffix('\n').unwrap()).unwrap();
        assert!(answer["id"].is_null() && answer["error"]["data"]["kind"] == "not_permitted", "{answer}");
        let message = answer["error"]["message"].as_str().unwrap();
        assert!(message.contains("user 4243") && message.contains("user 0"), "{message}");
        assert!(message.contains("\"4301\"") && message.contains("\"4300\""), "{message}");
    }
    wait_until("every refusal is told", || told(&audit(&daemon)) == 3);
    assert!(audit(&daemon)[0].contains("method=\"connect\" kind=\"not_permitted\" uid=4243 pid="));
    assert_eq!(daemon.client().call("daemon.status", &json!({}))["clients"], 1);
}

#[test]
fn settle_says_why_it_is_not_let_in_and_what_to_do() {
    let mut daemon = Daemon::start(&shared());
    let words = |output: Output| {
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    let inside = words(STRANGER.settle(&daemon, &["meters"]));
    assert!(inside.contains("user 4243 may not use this daemon: ask whoever runs it (user 0)"), "{inside}");
    let guest = words(GUEST.settle(&daemon, &["read", "m"]));
    assert!(guest.contains("guests may not call meter.read; members of the group \"4301\" may"), "{guest}");
    daemon.kill();
    std::fs::write(daemon.path("settled.toml"), METER).unwrap();
    daemon.launch();
    let outside = words(STRANGER.settle(&daemon, &["meters"]));
    assert!(outside.contains("lets in others: ask whoever runs the daemon"), "{outside}");
}

#[test]
fn the_sockets_file_keeps_out_whom_nothing_is_said_about() {
    let mut daemon = Daemon::start(METER);
    let refused = STRANGER.say(&daemon, "");
    assert!(refused.stdout.is_empty(), "{refused:?}");
    assert!(String::from_utf8(refused.stderr).unwrap().contains("Permission denied"));
    daemon.kill();
    std::fs::write(daemon.path("settled.toml"), format!("[socket]\ngroup = {MEMBERS}\n{METER}")).unwrap();
    daemon.launch();
    let mut member = MEMBER.connect(&daemon);
    assert!(member.client.call("hello", &json!({})).get("may").is_none());
    member.client.wait_for_state("m", "ready");
    member.client.call("meter.read", &json!({"meter": "m"}));
    for outside in [STRANGER, GUEST] {
        let refused = outside.say(&daemon, "");
        assert!(refused.stdout.is_empty(), "{refused:?}");
    }
}

#[test]
fn members_are_those_whom_the_systems_database_has_in_the_group() {
    need_root();
    let config = "[socket]\ngroup = \"settled-meters\"\nguests = \"settled-readers\"\n\
        [[priority]]\ngroup = \"settled-readers\"\nturns = 3\n[[priority]]\nuser = \"daemon\"\nturns = 5\n";
    let mut daemon = Daemon::configured(&format!("{config}{METER}"));
    daemon.with_arguments(&["--verbose"]);
    // The daemon alone sees these groups, in a view of the file system of its own.
    let groups = std::fs::read_to_string("/etc/group").unwrap();
    let ours = "settled-meters:x:4301:daemon\nsettled-readers:x:4300:bin,nobody\n";
    std::fs::write(daemon.path("group"), format!("{groups}{ours}")).unwrap();
    let command = daemon.command();
    let mut apart = Command::new("unshare");
    apart
        .args(["--mount", "sh", "-c", "mount --bind \"$0\" /etc/group && exec \"$@\""])
        .arg(daemon.path("group"));
    apart.arg(command.get_program()).args(command.get_args());
    daemon.launch_by(apart);
    for (uid, guest, turns) in [(1, false, 5), (2, true, 3)] {
        // Under a group of its own: that of the socket is one among its others.
        let mut other = User(uid, 4999).connect(&daemon);
        assert_eq!(other.client.call("hello", &json!({})).get("may").is_some(), guest, "user {uid}");
        let admitted = format!("guest={guest} turns={turns}");
        let trace = daemon.trace();
        let line =
            trace.lines().find(|line| line.contains("admitted") && line.contains(&format!("uid={uid} ")));
        assert!(line.is_some_and(|line| line.ends_with(&admitted)), "{line:?}");
    }
    assert!(String::from_utf8(STRANGER.say(&daemon, "").stdout).unwrap().contains("not_permitted"));
}

#[test]
fn a_flood_of_refusals_makes_few_lines_and_every_one_is_counted() {
    let daemon = Daemon::start(&shared());
    let mut guest = GUEST.connect(&daemon);
    guest.client.call("hello", &json!({"client": "flood"}));
    let many = 5000;
    for _ in 0..many {
        guest.client.ask("meter.read", &json!({"meter": "m"}));
        guest.client.line().unwrap();
    }
    drop(guest);
    wait_until("every refusal is told", || told(&audit(&daemon)) == many);
    let lines = audit(&daemon);
    assert!(lines.len() <= 60, "{} lines", lines.len());
    assert!(
        lines[0].contains("guests may not call meter.read")
            && lines[1].contains("more method=\"meter.read\"")
    );
}

fn admitted(other: &mut Other) -> bool {
    let id = 7;
    other.client.send(format!("{{\"jsonrpc\":\"2.0\",\"id\":{id},\"method\":\"hello\"}}").as_bytes());
    let answer = other.client.line().unwrap();
    let overloaded = answer["error"]["data"]["kind"] == "overloaded";
    assert!(overloaded || answer["id"] == id, "{answer}");
    !overloaded
}

/// Connects as often as it is let in.
fn crowd(user: User, daemon: &Daemon, most: usize) -> Vec<Other> {
    let mut crowd: Vec<Other> = (0..most).map(|_| user.connect(daemon)).collect();
    for (index, other) in crowd.iter_mut().enumerate() {
        assert!(admitted(other), "user {} is let in {index} times of {most}", user.0);
    }
    crowd
}

#[test]
fn a_user_at_its_limit_leaves_room_for_others_and_root_can_always_look() {
    let limits = "[socket]\nguests = \"everyone\"\n[limits]\nconnections = 16\nconnections_of_user = 5\n";
    let daemon = Daemon::start(&format!("{limits}{METER}"));
    wait_until("nobody is there", || daemon.client().call("daemon.status", &json!({}))["clients"] == 1);
    let (one, two, three) = (User(4241, 4241), User(4242, 4242), User(4243, 4243));
    let mut first = crowd(one, &daemon, 5);
    assert!(!admitted(&mut one.connect(&daemon)), "a sixth of one user");
    let _second = crowd(two, &daemon, 5);
    let _third = crowd(three, &daemon, 2);
    assert!(!admitted(&mut three.connect(&daemon)), "the last four are kept");
    let mut owners: Vec<Client> = (0..4).map(|_| daemon.client()).collect();
    for owner in &mut owners {
        assert_eq!(owner.call("hello", &json!({}))["limits"]["connections_of_user"], 5);
    }
    assert_eq!(owners[0].call("daemon.status", &json!({}))["clients"], 16);
    assert_eq!(daemon.client().line().unwrap()["error"]["data"]["kind"], "overloaded", "no seventeenth");
    // Whoever goes makes room.
    drop((first.pop(), owners));
    wait_until("there is room again", || admitted(&mut three.connect(&daemon)));
}

#[test]
fn what_a_lease_refuses_is_told_and_its_token_is_not() {
    let daemon = Daemon::start(METER);
    let (mut holder, mut other) = (daemon.client(), daemon.client());
    holder.call("hello", &json!({"client": "holder"}));
    let lease = holder.call("meter.lease", &json!({"meter": "m", "ttl_s": 60}))["lease"].take();
    assert_eq!(other.refusal("meter.read", &json!({"meter": "m"})), "leased");
    holder.call("meter.release", &json!({"lease": lease}));
    assert_eq!(holder.refusal("meter.read", &json!({"meter": "m", "lease": lease})), "lease_lost");
    wait_until("both are told", || told(&audit(&daemon)) == 2);
    let lines = audit(&daemon).concat();
    assert!(
        lines.contains("kind=\"leased\" meter=\"m\"") && lines.contains("kind=\"lease_lost\" meter=\"m\""),
        "{lines}"
    );
    assert!(
        lines.contains("client=\"holder\"") && !daemon.trace().contains(lease.as_str().unwrap()),
        "{lines}"
    );
}

#[test]
fn a_check_names_the_group_that_there_is_not_in_its_place() {
    let daemon =
        Daemon::configured("[socket]\nguests = \"no-such-group-here\"\nguests_may = [\"log.raedings\"]\n");
    let output = daemon.command().arg("--check").output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(words.contains(":2:10: socket.guests: there is no group \"no-such-group-here\""), "{words}");
    assert!(
        words.contains(
            ":3:15: socket.guests_may[0]: there is no \"log.raedings\"; did you mean \"log.readings\"?"
        ),
        "{words}"
    );
    assert!(!daemon.socket().exists());
}

#[test]
fn the_metrics_on_a_unix_socket_are_for_who_may_look_at_the_same_on_the_daemons_own() {
    let metrics = "[metrics]\nlisten = \"unix:metrics\"\n";
    let ask = "GET /metrics HTTP/1.1\r\nHost: anything\r\n\r\n";
    let asks = |daemon: &Daemon, user: User| {
        wait_until("the daemon has its sockets", || daemon.trace().contains("listening"));
        let output = user.say_at(daemon, "metrics", ask);
        (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap())
    };
    let daemon = Daemon::start(&format!("{}{metrics}", shared()));
    for user in [MEMBER, GUEST] {
        let (page, why) = asks(&daemon, user);
        assert!(page.starts_with("HTTP/1.1 200 ") && page.ends_with("# EOF\n"), "{page} {why}");
    }
    let (page, _) = asks(&daemon, STRANGER);
    assert!(
        page.starts_with("HTTP/1.1 403 ") && page.contains("user 4243 may not use this daemon"),
        "{page}"
    );
    assert!(!page.contains("settled_"), "{page}");
    wait_until("the refusal is told", || audit(&daemon).iter().any(|line| line.contains("uid=4243")));
    // Who may only read the meter may not see how everything does.
    let few = format!("[socket]\nguests = \"everyone\"\nguests_may = [\"meter.read\"]\n{METER}{metrics}");
    let (page, _) = asks(&Daemon::start(&few), STRANGER);
    assert!(page.starts_with("HTTP/1.1 403 ") && page.contains("daemon.status"), "{page}");
    // Without a group and guests, the file itself keeps them out.
    let (page, why) = asks(&Daemon::start(&format!("{METER}{metrics}")), MEMBER);
    assert!(page.is_empty() && why.contains("Permission denied"), "{page} {why}");
}
