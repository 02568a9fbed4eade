//! How `settle` ends, and with which statuses each of its commands can.

/// How `settle` ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Settled, or done.
    Done,
    /// An error.
    Failed,
    /// A mistake on the command line.
    Usage,
    /// The light has not settled, has left its bands, or nobody can tell.
    NotSettled,
    /// What was to be dark wasn't.
    NotDark,
    /// What was watched went well, and there were alerts.
    Alerted,
    /// Ctrl-C.
    Interrupted,
    /// As the command that ran under a lease.
    Command(u8),
    /// There was no lease to run a command under.
    NotLeased,
}

impl Exit {
    /// The process's exit status.
    #[must_use]
    pub fn status(self) -> u8 {
        match self {
            Self::Done => 0,
            Self::Failed => 1,
            Self::Usage => 2,
            Self::NotSettled | Self::NotDark => 3,
            Self::Alerted => 4,
            Self::Interrupted => 130,
            Self::Command(status) => status,
            Self::NotLeased => 125,
        }
    }
}

/// What a status means, for the manual.
pub(super) type Meaning = (&'static str, &'static str);

const DONE: Meaning = ("0", "Done.");
const FAILED: Meaning = ("1", "An error: no daemon, a meter that is absent, a file that can't be written.");
const USAGE: Meaning = ("2", "A mistake on the command line.");
const INTERRUPTED: Meaning = ("130", "Interrupted by Ctrl-C; what was asked for was taken back.");

/// The statuses of a command, by its words after `settle`: none for one that only has commands of its own, or that there isn't.
pub(super) fn statuses(words: &[&str]) -> Vec<Meaning> {
    match words {
        [] => vec![
            ("0", "Settled, or done."),
            FAILED,
            USAGE,
            (
                "3",
                "Not settled, or beyond its bands, or nobody can tell; or not dark, though the aperture was said to be covered.",
            ),
            ("4", "A run that was watched went well, and there were alerts."),
            INTERRUPTED,
        ],
        ["read"] => vec![
            ("0", "There is a reading; with --settled, the light has settled."),
            FAILED,
            USAGE,
            (
                "3",
                "With --settled: the light has not settled, or nobody can tell. With --covered: it isn't dark.",
            ),
            INTERRUPTED,
        ],
        ["run", "warm-up" | "stability" | "drift"] => watched("With --wait: "),
        ["runs", "watch"] => watched(""),
        ["correct", "derive"] => vec![
            ("0", "The correction was made."),
            FAILED,
            USAGE,
            ("3", "A colour's light has not settled, so that nothing was made."),
            INTERRUPTED,
        ],
        ["review", "run"] => vec![
            ("0", "All of the plan is measured."),
            FAILED,
            ("2", "A mistake on the command line or in the plan, or it was not agreed to."),
            ("130", "Interrupted by Ctrl-C; the same command goes on where it ended."),
        ],
        _ => of_its_own(words).unwrap_or_else(|| usual(words)),
    }
}

/// Of commands whose statuses aren't like any other's.
fn of_its_own(words: &[&str]) -> Option<Vec<Meaning>> {
    let statuses = match words {
        ["lease"] => vec![
            ("the command's own", "The command has run: 128 and the signal's number if a signal ended it."),
            (
                "125",
                "settle itself failed: there is no daemon, no lease in time, or a mistake on the command line.",
            ),
            ("126", "The command can't be run."),
            ("127", "The command can't be found."),
            ("130", "Interrupted by Ctrl-C before there was a lease."),
        ],
        ["log", "check"] => vec![
            ("0", "The log is sound."),
            ("1", "The log is damaged, or an error: no daemon, a log that is off."),
            USAGE,
        ],
        ["assess"] => vec![
            ("0", "Every series settled, and still was at its end."),
            ("1", "A mistake in the input."),
            ("2", "A mistake on the command line, or no readings."),
            ("3", "A series did not settle, or was lost and did not settle again."),
        ],
        _ => return None,
    };
    Some(statuses)
}

/// Of commands that do what they are told, or fail.
fn usual(words: &[&str]) -> Vec<Meaning> {
    match words {
        ["zero" | "observe" | "demo" | "live"] | ["log", "export"] | ["review", "stimuli"] => {
            vec![DONE, FAILED, USAGE, INTERRUPTED]
        }
        ["meters" | "status" | "completions" | "man" | "page" | "report"]
        | ["runs"]
        | ["runs", "show" | "stop"]
        | ["log", "readings" | "events" | "bins" | "statistics" | "plot" | "backup"]
        | ["correct"]
        | ["correct", _]
        | ["review", "plans" | "show" | "compare"]
        | ["stage", _] => vec![DONE, FAILED, USAGE],
        _ => Vec::new(),
    }
}

/// Those of a run that is waited for.
fn watched(condition: &str) -> Vec<Meaning> {
    let done = if condition.is_empty() {
        "Settled, or within its bands, without an alert."
    } else {
        "The run has begun; with --wait, it settled, or stayed within its bands, without an alert."
    };
    let [not_settled, alerted] = match condition.is_empty() {
        true => ["Not settled, beyond its bands, or undecided.", "As 0, with alerts."],
        false => {
            ["With --wait: not settled, beyond its bands, or undecided.", "With --wait: as 0, with alerts."]
        }
    };
    let failed = "An error, or the run could not go on.";
    vec![
        ("0", done),
        ("1", failed),
        USAGE,
        ("3", not_settled),
        ("4", alerted),
        ("130", "Interrupted by Ctrl-C; the run goes on."),
    ]
}
