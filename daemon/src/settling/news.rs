//! What a settling hears of its meter.

use std::time::Duration;

use settled_protocol::error::RpcError;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::Run;
use super::asked::Asked;
use crate::meter_task::Published;

/// Between two looks at how long readings have been waited for, in real time.
const WAITING: Duration = Duration::from_secs(1);

/// What the meter's task makes known next; nothing, where readings are waited for, if nothing comes for a while.
pub(super) async fn news(
    follow: &mut Receiver<Published>,
    waiting: bool,
) -> Option<Result<Published, RecvError>> {
    tokio::select! {
        biased;
        news = follow.recv() => Some(news),
        () = tokio::time::sleep(WAITING), if waiting => None,
    }
}

impl Run {
    /// Hears of what is no reading. Whether it may have to wait for the next.
    pub(super) async fn hear(&mut self, asked: &mut Asked, news: Published) -> Result<bool, RpcError> {
        match news {
            // The meter is gone: what it sees when it is back may be something else.
            Published::Failed { exposure: None, error } => {
                self.judge.gap();
                self.away = true;
                self.failed(&error)?;
                asked.again(&self.meter).await?;
                Ok(true)
            }
            Published::Failed { exposure: Some(used), error }
                if asked.is_served(used) && self.leased.is_none() =>
            {
                self.failed(&error)?;
                if asked.shorten(&self.meter, used).await? {
                    self.longer = None;
                }
                Ok(true)
            }
            Published::Leased => {
                self.judge.gap();
                self.look_at_lease();
                Ok(true)
            }
            Published::Anew { why, t_s } => {
                self.begin_anew(why, t_s);
                Ok(false)
            }
            Published::Refused(error) => Err(RpcError::clone(&error)),
            Published::Failed { .. } | Published::Reading { .. } => Ok(false),
        }
    }
}
