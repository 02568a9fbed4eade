//! Who may connect, what they may do there, and who may take several turns in a row: `[socket]` and `[[priority]]`.

use settled_drivers::settings::{Table, Word};
use settled_protocol::method::NAMES;

use crate::access::{Favoured, GUESTS_USUALLY_MAY, Guests, Named, Priority, Rules};
use crate::accounts::Accounts;

/// The word for every user of the system, where a group could stand.
const EVERYONE: &str = "everyone";

/// The largest number of a user or a group: one more is no user at all.
const LARGEST_ID: i64 = u32::MAX as i64 - 1;

/// Turns in a row that can be granted. Beyond a minute's worth of a usual meter nobody would call it taking turns.
const TURNS: (i64, i64) = (2, 60);

/// The most priorities: each is looked at whenever somebody connects.
const MOST_PRIORITIES: usize = 64;

/// Reads who is let in from `[socket]`.
pub(super) fn read_socket(table: &mut Table<'_>, accounts: &dyn Accounts, rules: &mut Rules) {
    rules.group = read_group(table, "group", accounts);
    let known: Vec<_> = NAMES.iter().map(|name| (*name, *name)).collect();
    let may = table.choices("guests_may", &known);
    if let Some(word) = table.word("guests", 0, LARGEST_ID, "a group, by name or number, or \"everyone\"") {
        rules.guests = match word {
            Word::Text(text) if text == EVERYONE => Guests::Everyone,
            word => group(table, "guests", word, accounts).map_or(Guests::Nobody, Guests::Group),
        };
        rules.guests_may = may.unwrap_or_else(|| GUESTS_USUALLY_MAY.to_vec());
    } else if !table.has("guests") && table.has("guests_may") {
        table.complain(
            "guests_may",
            "there are no guests: say with guests who they are, a group or \"everyone\"",
        );
    }
    if let (Some(Named { id, .. }), Guests::Group(guests)) = (&rules.group, &rules.guests)
        && *id == guests.id
    {
        table.complain("guests", "is the group whose members may do everything already: name another one");
    }
}

/// Reads every `[[priority]]`.
pub(super) fn read_priorities(table: &mut Table<'_>, accounts: &dyn Accounts) -> Vec<Priority> {
    let mut priorities: Vec<Priority> = Vec::new();
    for mut entry in table.tables("priority") {
        let turns = entry.integer("turns", TURNS.0, TURNS.1);
        let turns = entry.required("turns", turns).and_then(|turns| u8::try_from(turns).ok());
        let of = read_favoured(&mut entry, accounts);
        let (Some(of), Some(turns)) = (of, turns) else { continue };
        if priorities.iter().any(|other| other.of == of) {
            let key = if matches!(of, Favoured::User(_)) { "user" } else { "group" };
            entry.complain(key, "has a priority already, further up");
        }
        priorities.push(Priority { of, turns });
    }
    if priorities.len() > MOST_PRIORITIES {
        table.complain("priority", format!("at most {MOST_PRIORITIES} priorities, not {}", priorities.len()));
    }
    priorities
}

fn read_favoured(entry: &mut Table<'_>, accounts: &dyn Accounts) -> Option<Favoured> {
    let (by_user, by_group) = (entry.has("user"), entry.has("group"));
    let user = read_user(entry, accounts);
    let group = read_group(entry, "group", accounts);
    match (by_user, by_group) {
        (true, true) => {
            entry.complain("group", "either a user or a group: write two priorities for both");
            None
        }
        (false, false) => entry.required("user", None),
        _ => user.or(group.map(|group| Favoured::Group(group.id))),
    }
}

fn read_user(table: &mut Table<'_>, accounts: &dyn Accounts) -> Option<Favoured> {
    match table.word("user", 0, LARGEST_ID, "a user, by name or number")? {
        Word::Number(number) => u32::try_from(number).ok(),
        Word::Text(name) => found(table, "user", &name, "user", accounts.user(&name)),
    }
    .map(Favoured::User)
}

fn read_group(table: &mut Table<'_>, key: &str, accounts: &dyn Accounts) -> Option<Named> {
    let word = table.word(key, 0, LARGEST_ID, "a group, by name or number")?;
    group(table, key, word, accounts)
}

/// A number is a group's own number, whether or not a group has it; text is a name, though it be made of digits.
fn group(table: &Table<'_>, key: &str, word: Word, accounts: &dyn Accounts) -> Option<Named> {
    match word {
        Word::Number(number) => Some(Named { name: number.to_string(), id: u32::try_from(number).ok()? }),
        Word::Text(name) => {
            let id = found(table, key, &name, "group", accounts.group(&name))?;
            Some(Named { name, id })
        }
    }
}

/// What was looked up, or a mistake.
fn found(
    table: &Table<'_>,
    key: &str,
    name: &str,
    what: &str,
    looked_up: std::io::Result<Option<u32>>,
) -> Option<u32> {
    match looked_up {
        Ok(Some(id)) => return Some(id),
        Ok(None) if name.parse::<u32>().is_ok() => {
            let message =
                format!("there is no {what} called {name:?}; a {what}'s number is written without quotes");
            table.complain(key, message);
        }
        Ok(None) => table.complain(key, format!("there is no {what} {name:?}: make it, or name another one")),
        Err(error) => table.complain(key, format!("the {what} {name:?} can't be looked up: {error}")),
    }
    None
}

#[cfg(test)]
pub(super) mod tests {
    use std::io;

    use super::super::tests::{load, problems};
    use super::*;

    /// The users and groups of a workshop, as far as this page's examples name them.
    #[derive(Debug)]
    pub(in crate::config) struct Workshop;

    impl Accounts for Workshop {
        fn user(&self, name: &str) -> io::Result<Option<u32>> {
            Ok((name == "bench").then_some(1001))
        }

        fn group(&self, name: &str) -> io::Result<Option<u32>> {
            match name {
                "meters" => Ok(Some(2001)),
                "readers" => Ok(Some(2002)),
                "burning" => Err(io::Error::other("on fire")),
                _ => Ok(None),
            }
        }

        fn groups_of(&self, _: u32) -> io::Result<Vec<u32>> {
            Ok(Vec::new())
        }
    }

    #[test]
    fn names_of_users_and_groups_are_looked_up_and_numbers_stand_for_themselves() {
        let text = "[socket]\ngroup = \"meters\"\nguests = 77\n\
            [[priority]]\nuser = \"bench\"\nturns = 2\n[[priority]]\ngroup = 5\nturns = 60\n[[priority]]\nuser = 0\nturns = 3\n";
        let rules = load(text).unwrap().rules;
        assert_eq!(rules.group, Some(Named { name: "meters".to_owned(), id: 2001 }));
        assert_eq!(rules.guests, Guests::Group(Named { name: "77".to_owned(), id: 77 }));
        assert_eq!(rules.guests_may, GUESTS_USUALLY_MAY);
        let expected = [(Favoured::User(1001), 2), (Favoured::Group(5), 60), (Favoured::User(0), 3)];
        assert_eq!(rules.priorities, expected.map(|(of, turns)| Priority { of, turns }));
        let rules = load("[socket]\nguests = \"everyone\"\nguests_may = [\"meter.read\"]\n").unwrap().rules;
        assert_eq!(
            (rules.group, rules.guests, rules.guests_may),
            (None, Guests::Everyone, vec!["meter.read"])
        );
        assert_eq!(load("").unwrap().rules, Rules::default());
    }

    #[test]
    fn who_and_what_is_unknown_is_named_in_its_place() {
        let found = problems(
            "[socket]\ngroup = \"metres\"\nguests = \"100\"\nguests_may = [\"meters.list\", \"meter.raed\", \"hello\"]\n\
             [[priority]]\nuser = \"nobody-here\"\nturns = 1\n[[priority]]\ngroup = \"burning\"\nturns = 61\nuser = -1\n",
        );
        let expected = [
            "2:9: socket.group: there is no group \"metres\": make it, or name another one",
            "3:10: socket.guests: there is no group called \"100\"; a group's number is written without quotes",
            "4:30: socket.guests_may[1]: there is no \"meter.raed\"; did you mean \"meter.read\"?",
            "6:8: priority[0].user: there is no user \"nobody-here\": make it, or name another one",
            "7:9: priority[0].turns: expected a whole number from 2 to 60, found the number 1",
            "9:9: priority[1].group: the group \"burning\" can't be looked up: on fire",
            "9:9: priority[1].group: either a user or a group: write two priorities for both",
            "10:9: priority[1].turns: expected a whole number from 2 to 60, found the number 61",
            "11:8: priority[1].user: expected a user, by name or number, found the number -1",
        ];
        assert_eq!(found, expected.map(|line| format!("/etc/bench/settled.toml:{line}")));
    }

    #[test]
    fn what_makes_no_sense_together_is_a_mistake() {
        for (text, expected) in [
            ("[socket]\nguests_may = [\"hello\"]\n", "2:14: socket.guests_may: there are no guests"),
            (
                "[socket]\ngroup = \"meters\"\nguests = 2001\n",
                "3:10: socket.guests: is the group whose members",
            ),
            ("[[priority]]\nturns = 2\n", "1:1: priority[0].user: is missing"),
            ("[[priority]]\nuser = 1\n", "1:1: priority[0].turns: is missing"),
            (
                "[[priority]]\nuser = 1001\nturns = 2\n[[priority]]\nuser = \"bench\"\nturns = 3\n",
                "5:8: priority[1].user: has a priority",
            ),
            ("[socket]\nguest = \"meters\"\n", "2:1: socket.guest: unknown key; did you mean \"guests\"?"),
        ] {
            let found = problems(text);
            assert!(found.len() == 1 && found[0].contains(expected), "{text}: {found:?}");
        }
        let many: String = (0..65).map(|uid| format!("[[priority]]\nuser = {uid}\nturns = 2\n")).collect();
        assert!(problems(&many)[0].contains("at most 64 priorities, not 65"));
    }
}
