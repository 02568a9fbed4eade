//! Light sensors that the Linux kernel knows, through its Industrial I/O subsystem: see IIO.md.
//!
//! | module | idea |
//! |---|---|
//! | `options` | which sensor, and how its channels make light |
//! | `device` | finding it by a name that stays the same |
//! | `attribute` | one small file of text, and what the kernel's errors mean |
//! | `channel` | one channel, and its value |
//! | `available` | what an attribute can be set to |
//! | `format` | how a value lies in a frame of the buffer |
//! | `buffer` | frames from the kernel's buffer |
//! | `worker` | the thread that asks the kernel |
//! | `meter` | the open sensor |

use std::sync::Arc;

use crate::clock::{Boxed, Clock};
use crate::driver::{Context, Driver};
use crate::fault::Fault;
use crate::meter::Meter;
use crate::settings::Table;

mod attribute;
mod available;
mod buffer;
mod channel;
mod device;
mod format;
mod meter;
mod options;
mod worker;

use options::Options;
use worker::Worker;

/// A configured sensor.
#[derive(Debug)]
struct Sensor {
    options: Arc<Options>,
    worker: Arc<Worker>,
}

impl Driver for Sensor {
    fn name(&self) -> &'static str {
        "iio"
    }

    fn claims(&self) -> Vec<String> {
        vec![format!("{} (light sensor)", self.options.device)]
    }

    fn open<'a>(&'a self, _clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let open = meter::Open::new(Arc::clone(&self.options), Arc::clone(&self.worker)).await?;
            Ok(Box::new(open) as Box<dyn Meter>)
        })
    }

    fn arrival(&self) -> Boxed<'_, ()> {
        Box::pin(async {
            // One that was there already, and could not be opened, has not come.
            let mut was_there = self.is_there().await;
            loop {
                tokio::time::sleep(meter::LOOK).await;
                let is_there = self.is_there().await;
                if is_there && !std::mem::replace(&mut was_there, is_there) {
                    return;
                }
            }
        })
    }
}

impl Sensor {
    /// Whether it is attached; not if the kernel hangs.
    async fn is_there(&self) -> bool {
        let options = Arc::clone(&self.options);
        let look = move || Ok(device::is_there(&options.sysfs, &options.device));
        self.worker.run(look).await.unwrap_or(false)
    }
}

/// Reads a sensor's settings for this driver.
pub fn configure(settings: &mut Table<'_>, context: &Context) -> Option<Arc<dyn Driver>> {
    let mut options = options::read(settings)?;
    for path in [&mut options.sysfs, &mut options.dev] {
        *path = context.folder.join(&*path);
    }
    Some(Arc::new(Sensor { options: Arc::new(options), worker: Arc::default() }))
}

#[cfg(test)]
mod tests;
