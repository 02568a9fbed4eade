//! Users and groups, as the system's database has them. It may be in the network: asking it may block, so whoever asks while clients
//! are being served does so [in time](crate::access).

use std::ffi::CString;
use std::fmt::Debug;
use std::io;

use nix::unistd::{Group, Uid, User, getgrouplist};

/// A database of users and groups.
pub trait Accounts: Debug + Send + Sync {
    /// The id of the user of that name, if there is one.
    ///
    /// # Errors
    /// If the database can't be asked.
    fn user(&self, name: &str) -> io::Result<Option<u32>>;

    /// The id of the group of that name, if there is one.
    ///
    /// # Errors
    /// If the database can't be asked.
    fn group(&self, name: &str) -> io::Result<Option<u32>>;

    /// Every group that a user is in; none for a user that isn't known.
    ///
    /// # Errors
    /// If the database can't be asked.
    fn groups_of(&self, uid: u32) -> io::Result<Vec<u32>>;
}

/// The system's own.
#[derive(Clone, Copy, Debug)]
pub struct System;

impl Accounts for System {
    fn user(&self, name: &str) -> io::Result<Option<u32>> {
        Ok(User::from_name(name)?.map(|user| user.uid.as_raw()))
    }

    fn group(&self, name: &str) -> io::Result<Option<u32>> {
        Ok(Group::from_name(name)?.map(|group| group.gid.as_raw()))
    }

    fn groups_of(&self, uid: u32) -> io::Result<Vec<u32>> {
        let Some(user) = User::from_uid(Uid::from_raw(uid))? else { return Ok(Vec::new()) };
        let name = CString::new(user.name)?;
        Ok(getgrouplist(&name, user.gid)?.into_iter().map(nix::unistd::Gid::as_raw).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_system_knows_root_and_no_one_of_a_name_that_nobody_has() {
        assert_eq!(System.user("root").unwrap(), Some(0));
        assert_eq!(System.group("root").unwrap(), Some(0));
        assert!(System.groups_of(0).unwrap().contains(&0));
        assert_eq!(System.user("no-such-user-here").unwrap(), None);
        assert_eq!(System.group("no-such-group-here").unwrap(), None);
        assert_eq!(System.groups_of(u32::MAX - 7).unwrap(), [0; 0]);
    }
}
