//! Owner, root, members, guests and strangers.

use std::io;

use super::*;
use crate::client::Client;

/// User 10 is in the groups 20 and 21, user 11 in none, user 12 in 22; the database is on fire for user 13.
#[derive(Debug)]
struct Few;

impl Accounts for Few {
    fn user(&self, _: &str) -> io::Result<Option<u32>> {
        Ok(None)
    }

    fn group(&self, _: &str) -> io::Result<Option<u32>> {
        Ok(None)
    }

    fn groups_of(&self, uid: u32) -> io::Result<Vec<u32>> {
        match uid {
            10 => Ok(vec![20, 21]),
            12 => Ok(vec![22]),
            13 => Err(io::Error::other("on fire")),
            _ => Ok(Vec::new()),
        }
    }
}

const OWNER: u32 = 5;

fn named(name: &str, id: u32) -> Named {
    Named { name: name.to_owned(), id }
}

fn access(rules: Rules) -> Access {
    Access { owner: OWNER, ..Access::new(rules, Arc::new(Few)) }
}

async fn admit(access: &Access, uid: u32, groups: &[u32]) -> Result<Client, RpcError> {
    access.admit(Peer { uid, pid: None }, groups).await
}

fn shared() -> Rules {
    Rules {
        group: Some(named("meters", 20)),
        guests: Guests::Group(named("readers", 22)),
        guests_may: GUESTS_USUALLY_MAY.to_vec(),
        priorities: Vec::new(),
    }
}

async fn may_read(access: &Access, uid: u32, groups: &[u32]) -> bool {
    admit(access, uid, groups).await.unwrap().rights().may("meter.read").is_ok()
}

#[tokio::test]
async fn without_a_group_the_owner_and_root_alone_may_come_in() {
    let access = access(Rules::default());
    assert_eq!(Rules::default().door(), Door::Owner);
    assert!(may_read(&access, OWNER, &[]).await && may_read(&access, 0, &[]).await);
    let error = admit(&access, 10, &[20]).await.unwrap_err();
    assert_eq!(error.kind(), ErrorKind::NotPermitted);
    assert!(error.message.contains("user 10") && error.message.contains("(user 5) alone"), "{error}");
}

#[tokio::test]
async fn members_may_do_everything_guests_may_look_and_strangers_learn_whom_to_ask() {
    let access = access(shared());
    assert_eq!(shared().door(), Door::Everyone);
    for (uid, groups) in [(OWNER, &[][..]), (0, &[]), (10, &[]), (11, &[20]), (12, &[20]), (13, &[20])] {
        assert!(may_read(&access, uid, groups).await, "{uid} of {groups:?}");
    }
    for (uid, groups) in [(12, &[][..]), (11, &[22])] {
        assert!(!may_read(&access, uid, groups).await, "{uid} of {groups:?}");
        let client = admit(&access, uid, groups).await.unwrap();
        assert!(client.rights().may("log.readings").is_ok() && client.rights().may("no.such").is_ok());
        let refused = client.rights().may("meter.zero").unwrap_err();
        assert!(
            refused.message.contains("may not call meter.zero; members of the group \"meters\""),
            "{refused}"
        );
    }
    let stranger = admit(&access, 11, &[23]).await.unwrap_err();
    assert_eq!(stranger.kind(), ErrorKind::NotPermitted);
    assert!(
        stranger.message.contains("\"meters\", whose members may do everything, or in the group \"readers\"")
    );
    let unknown = admit(&access, 13, &[22]).await.unwrap_err();
    assert_eq!(unknown.kind(), ErrorKind::Overloaded, "a member is not taken for a guest: {unknown}");
}

#[tokio::test]
async fn whom_the_sockets_file_has_let_in_is_a_member_where_it_lets_in_a_group_alone() {
    let of_group = Rules { group: Some(named("meters", 20)), ..Rules::default() };
    assert_eq!(of_group.door(), Door::Group(20));
    let access = self::access(of_group);
    assert!(may_read(&access, 11, &access.vouched(100)).await);
    assert_eq!(
        admit(&access, 11, &[100]).await.unwrap_err().kind(),
        ErrorKind::NotPermitted,
        "elsewhere than there"
    );
    assert!(may_read(&access, 10, &[100]).await, "wherever");
    assert_eq!(self::access(shared()).vouched(100), [100]);
}

#[tokio::test]
async fn where_everyone_is_a_guest_nobody_is_a_stranger() {
    let rules =
        Rules { group: None, guests: Guests::Everyone, guests_may: vec!["meter.read"], priorities: vec![] };
    let access = access(rules);
    // The database isn't even asked.
    let client = admit(&access, 13, &[]).await.unwrap();
    assert_eq!(
        client.rights().listed().unwrap(),
        ["hello", "meter.read", "subscription.cancel", "request.cancel"]
    );
    let refused = client.rights().may("meters.list").unwrap_err();
    assert!(refused.message.ends_with("whoever runs the daemon (user 5) may"), "{refused}");
}

#[tokio::test]
async fn the_largest_priority_that_fits_is_granted() {
    let user = |uid, turns| Priority { of: Favoured::User(uid), turns };
    let group = |gid, turns| Priority { of: Favoured::Group(gid), turns };
    let priorities = vec![user(10, 2), group(21, 7), group(22, 4), user(13, 3)];
    let access = access(Rules { priorities, ..shared() });
    for (uid, groups, turns) in
        [(10, &[][..], 7), (12, &[], 4), (11, &[20], 1), (11, &[20, 22], 4), (13, &[20], 3)]
    {
        let client = admit(&access, uid, groups).await.unwrap();
        assert_eq!(client.by(None).turns, turns, "{uid} of {groups:?}");
    }
}

#[test]
fn the_configs_page_lists_what_guests_usually_may() {
    let page = include_str!("../../CONFIG.md");
    let (_, list) = page.split_once("exposure nor a change: ").unwrap();
    let (list, _) = list.split_once(". To observe").unwrap();
    let listed: Vec<&str> = list.split('`').skip(1).step_by(2).collect();
    let always = [Hello::NAME, RequestCancel::NAME, SubscriptionCancel::NAME];
    let expected: Vec<&str> =
        GUESTS_USUALLY_MAY.into_iter().filter(|method| !always.contains(method)).collect();
    assert_eq!(listed, expected);
}
