//! A meter while the machine sleeps: closed, and opened anew afterwards, as nobody knows what it has been through.

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::meter::State;

use super::shared::{Anew, Published, Status};
use super::task::Task;
use crate::power::Busy;

/// What is told of a meter meanwhile.
const REASON: &str = "closed while the machine sleeps";

impl Task {
    /// The meter is closed as the machine sleeps, or has slept: what it saw goes out, and is no evidence for what comes afterwards.
    /// Who waits for a reading goes on waiting.
    pub(super) async fn rest(&mut self, busy: Busy) {
        let error = RpcError::new(ErrorKind::MeterAbsent, format!("{} is {REASON}", self.shared.id));
        let error = Some(error.about(&self.shared.id));
        let reason = Some(REASON.to_owned());
        let status = Status { state: State::Absent, reason, open: None, error };
        self.shared.change(status, self.tools.now_s());
        self.deliver_all().await;
        self.shared.publish(Published::Anew { why: Anew::Slept, t_s: self.tools.now_s() });
        drop(busy);
    }

    /// Waits until the machine is awake, and takes requests in meanwhile; nothing if the daemon stops first.
    pub(super) async fn awake(&mut self) -> Option<()> {
        let (mut resting, mut stop) = (self.resting.clone(), self.tools.stop.clone());
        loop {
            tokio::select! {
                biased;
                () = resting.over() => break,
                () = stop.wait() => return None,
                alive = self.attend() => if !alive { return None },
            }
        }
        self.resting = resting;
        Some(())
    }
}
