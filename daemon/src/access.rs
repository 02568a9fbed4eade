//! Who may connect, what they may do there, and who may take several turns in a row.
//!
//! The socket's file lets in whom it can; where the config tells members from guests, everyone is let in by the file and looked at here.

use std::sync::{Arc, Mutex, PoisonError};

use nix::unistd::geteuid;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::method::{
    CorrectionsList, DaemonStatus, Hello, LogBins, LogCompare, LogEvents, LogReadings, LogStatistics,
    MeterObserve, MetersList, MetersObserve, Method, PageAddress, RequestCancel, RunsList, RunsObserve,
    RunsShow, SubscriptionCancel,
};

use crate::accounts::{Accounts, System};
use crate::client::{Client, Peer, USUAL_TURNS};

mod memberships;
mod rights;

use memberships::Memberships;
pub use rights::Rights;

/// What guests may call unless the config says otherwise: looking, which causes neither an exposure nor a change.
pub const GUESTS_USUALLY_MAY: [&str; 17] = [
    Hello::NAME,
    DaemonStatus::NAME,
    MetersList::NAME,
    MetersObserve::NAME,
    MeterObserve::NAME,
    LogReadings::NAME,
    LogEvents::NAME,
    LogBins::NAME,
    LogStatistics::NAME,
    LogCompare::NAME,
    RunsList::NAME,
    RunsShow::NAME,
    RunsObserve::NAME,
    CorrectionsList::NAME,
    PageAddress::NAME,
    SubscriptionCancel::NAME,
    RequestCancel::NAME,
];

const ROOT: u32 = 0;

/// A group, by name and number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// As the config calls it.
    pub name: String,
    /// Its number.
    pub id: u32,
}

/// Who may connect beside owner, root and members.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Guests {
    /// Nobody.
    #[default]
    Nobody,
    /// Who is in this group.
    Group(Named),
    /// Every user of the system.
    Everyone,
}

/// Whom a priority is granted to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Favoured {
    /// A user.
    User(u32),
    /// Whoever is in a group.
    Group(u32),
}

/// Turns in a row while others wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Priority {
    /// Whose.
    pub of: Favoured,
    /// How many.
    pub turns: u8,
}

/// What the config says about who may do what.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rules {
    /// Who may do everything, beside owner and root.
    pub group: Option<Named>,
    /// Who may do something.
    pub guests: Guests,
    /// What that is.
    pub guests_may: Vec<&'static str>,
    /// Who may take several turns in a row.
    pub priorities: Vec<Priority>,
}

/// Whom the socket's file lets in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Door {
    /// The owner, and root.
    Owner,
    /// This group, too.
    Group(u32),
    /// Everyone; who may stay is seen inside.
    Everyone,
}

impl Rules {
    /// Whom the socket's file must let in. A file has one group, so where there are guests it lets everyone in.
    #[must_use]
    pub fn door(&self) -> Door {
        match (&self.guests, &self.group) {
            (Guests::Nobody, None) => Door::Owner,
            (Guests::Nobody, Some(group)) => Door::Group(group.id),
            (Guests::Group(_) | Guests::Everyone, _) => Door::Everyone,
        }
    }
}

/// Looks at who comes.
#[derive(Debug)]
pub struct Access {
    rules: Mutex<Arc<Rules>>,
    owner: u32,
    memberships: Memberships,
}

impl Default for Access {
    /// The owner's alone.
    fn default() -> Self {
        Self::new(Rules::default(), Arc::new(System))
    }
}

/// What somebody is to the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Standing {
    /// May do everything: the owner, root, a member.
    Member,
    Guest,
    Stranger,
}

impl Access {
    /// By these rules. The process's own user is the owner.
    #[must_use]
    pub fn new(rules: Rules, accounts: Arc<dyn Accounts>) -> Self {
        Self {
            rules: Mutex::new(Arc::new(rules)),
            owner: geteuid().as_raw(),
            memberships: Memberships::new(accounts),
        }
    }

    /// The rules in force.
    fn rules(&self) -> Arc<Rules> {
        Arc::clone(&self.rules.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Puts other rules in force for whoever comes from now on, if the socket's file lets in the same people for them. Whether it
    /// does: else nothing is changed.
    pub fn change(&self, rules: Rules) -> bool {
        let mut known = self.rules.lock().unwrap_or_else(PoisonError::into_inner);
        let fits = known.door() == rules.door();
        if fits {
            *known = Arc::new(rules);
        }
        fits
    }

    /// Whether it is the owner, or root: a few connections are kept for them.
    #[must_use]
    pub fn is_privileged(&self, uid: u32) -> bool {
        uid == self.owner || uid == ROOT
    }

    /// The groups that the system vouches for of somebody whom the socket's file has let in: the one that they run under and, where the
    /// file lets in one group alone, that.
    #[must_use]
    pub fn vouched(&self, gid: u32) -> Vec<u32> {
        match self.rules().door() {
            Door::Group(group) => vec![gid, group],
            Door::Owner | Door::Everyone => vec![gid],
        }
    }

    /// Takes in who has come, if they may come at all. `groups` are those that the system vouches for already; the database of users
    /// is asked only if they don't decide it. Takes a few seconds at most.
    ///
    /// # Errors
    /// `not_permitted`, which says whom to ask; `overloaded` where the database of users doesn't answer in time.
    pub async fn admit(&self, peer: Peer, groups: &[u32]) -> Result<Client, RpcError> {
        let rules = self.rules();
        let mut standing = self.standing(&rules, peer.uid, groups);
        let mut turns = rules.turns(peer.uid, groups);
        let undecided = standing != Standing::Member && (rules.group.is_some() || rules.has_guest_group());
        if undecided || rules.priorities.iter().any(|priority| matches!(priority.of, Favoured::Group(_))) {
            match self.memberships.of(peer.uid).await {
                Ok(known) => {
                    let groups = [groups, &known].concat();
                    standing = self.standing(&rules, peer.uid, &groups);
                    turns = rules.turns(peer.uid, &groups);
                }
                Err(why) if undecided => {
                    let message = format!("which groups user {} is in can't be told: {why}", peer.uid);
                    return Err(RpcError::new(ErrorKind::Overloaded, message).retry_after(1.0));
                }
                Err(why) => {
                    tracing::warn!(uid = peer.uid, "whether a priority is theirs can't be told: {why}");
                }
            }
        }
        let rights = match standing {
            Standing::Member => Rights::all(),
            Standing::Guest => Rights::of_guests(&rules.guests_may, rules.advice(self.owner)),
            Standing::Stranger => {
                let message =
                    format!("user {} may not use this daemon: {}", peer.uid, rules.way_in(self.owner));
                return Err(RpcError::new(ErrorKind::NotPermitted, message));
            }
        };
        Ok(Client::admitted(peer, rights, turns))
    }

    fn standing(&self, rules: &Rules, uid: u32, groups: &[u32]) -> Standing {
        let within = |group: &Named| groups.contains(&group.id);
        if self.is_privileged(uid) || rules.group.as_ref().is_some_and(within) {
            return Standing::Member;
        }
        match &rules.guests {
            Guests::Nobody => Standing::Stranger,
            Guests::Everyone => Standing::Guest,
            Guests::Group(group) if within(group) => Standing::Guest,
            Guests::Group(_) => Standing::Stranger,
        }
    }
}

impl Rules {
    fn has_guest_group(&self) -> bool {
        matches!(self.guests, Guests::Group(_))
    }

    /// The most that any priority which fits grants.
    fn turns(&self, uid: u32, groups: &[u32]) -> u8 {
        let fits = |priority: &&Priority| match priority.of {
            Favoured::User(user) => user == uid,
            Favoured::Group(group) => groups.contains(&group),
        };
        self.priorities.iter().filter(fits).map(|priority| priority.turns).max().unwrap_or(USUAL_TURNS)
    }

    /// How a guest may do more.
    fn advice(&self, owner: u32) -> String {
        match &self.group {
            Some(Named { name, .. }) => {
                format!(
                    "members of the group {name:?} may; ask whoever runs the daemon (user {owner}) to be put in it"
                )
            }
            None => format!("whoever runs the daemon (user {owner}) may"),
        }
    }

    /// How a stranger gets in.
    fn way_in(&self, owner: u32) -> String {
        let groups: Vec<String> = [
            self.group
                .as_ref()
                .map(|group| format!("the group {:?}, whose members may do everything", group.name)),
            match &self.guests {
                Guests::Group(group) => Some(format!("the group {:?}, whose members may look", group.name)),
                Guests::Nobody | Guests::Everyone => None,
            },
        ]
        .into_iter()
        .flatten()
        .collect();
        if groups.is_empty() {
            return format!(
                "it is for the user who runs it (user {owner}) alone, who can name a group in [socket] of its config"
            );
        }
        format!("ask whoever runs it (user {owner}) to be put in {}", groups.join(", or in "))
    }
}

#[cfg(test)]
mod tests;
