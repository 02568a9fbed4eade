//! The conversation with one page: it is told what to show, and says when it does.

use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::{MissedTickBehavior, interval, timeout};
use tokio_tungstenite::WebSocketStream;
use tokio_tungstenite::tungstenite::protocol::CloseFrame;
use tokio_tungstenite::tungstenite::protocol::frame::coding::CloseCode;
use tokio_tungstenite::tungstenite::{Bytes, Message};

use super::Hub;
use super::order::Said;

/// A page that hasn't answered from one beat to the next is gone: a cable was pulled, or the machine sleeps.
const BEAT: Duration = Duration::from_secs(10);

/// What a page is told at each beat: it hears nothing of WebSocket's own pings, and takes the stimulus away where it hears nothing for long.
const HEARTBEAT: &str = r#"{"beat":true}"#;

/// A page that takes nothing in for so long is gone as well.
const SENT_WITHIN: Duration = Duration::from_secs(10);

/// To a page that has been followed by another: it doesn't come back by itself. Codes from 4000 on are for applications (RFC 6455, 7.4.2).
const SUPERSEDED: u16 = 4000;

/// Speaks with a page until it goes, or another one comes.
pub(super) async fn converse(mut socket: WebSocketStream<impl AsyncRead + AsyncWrite + Unpin>, hub: &Hub) {
    let mut line = 0;
    hub.status.send_modify(|status| line = status.arrive());
    if is_followed(&mut socket, hub, line).await {
        let frame = CloseFrame { code: CloseCode::from(SUPERSEDED), reason: "another page has come".into() };
        let _told = timeout(SENT_WITHIN, socket.close(Some(frame))).await.is_ok();
    }
    hub.status.send_if_modified(|status| status.leave(line));
}

/// Whether it ended because another page has come.
async fn is_followed(
    socket: &mut WebSocketStream<impl AsyncRead + AsyncWrite + Unpin>,
    hub: &Hub,
    line: u64,
) -> bool {
    let (mut order, mut status) = (hub.order.subscribe(), hub.status.subscribe());
    // What there is to show already is shown as soon as it has begun.
    order.mark_changed();
    let mut beat = interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let (mut has_begun, mut is_alive) = (false, true);
    loop {
        let messages = tokio::select! {
            heard = socket.next() => match heard {
                Some(Ok(Message::Text(text))) => {
                    is_alive = true;
                    // A page of ours says nothing else.
                    let Ok(said) = serde_json::from_str::<Said>(&text) else { return false };
                    has_begun |= matches!(said, Said::Begun | Said::Here { begun: true });
                    hub.status.send_if_modified(|status| status.hear(line, said));
                    continue;
                }
                Some(Ok(Message::Close(_)) | Err(_)) | None => return false,
                Some(Ok(_)) => {
                    is_alive = true;
                    continue;
                }
            },
            changed = order.changed(), if has_begun => {
                let order = order.borrow_and_update().as_ref().map(|order| order.text.clone());
                match (changed, order) {
                    (Ok(()), Some(order)) => vec![Message::text(order)],
                    (Ok(()), None) => continue,
                    (Err(_), _) => return false,
                }
            }
            followed = status.wait_for(|status| status.line != line) => return followed.is_ok(),
            _ = beat.tick() => {
                if !std::mem::replace(&mut is_alive, false) {
                    return false;
                }
                vec![Message::text(HEARTBEAT), Message::Ping(Bytes::new())]
            }
        };
        for message in messages {
            if !matches!(timeout(SENT_WITHIN, socket.send(message)).await, Ok(Ok(()))) {
                return false;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use tokio::time::Instant;
    use tokio_tungstenite::tungstenite::protocol::Role;

    use super::*;
    use crate::stimulus::page::guard::Guard;
    use crate::stimulus::page::status::Status;

    /// How long a page waits before it takes the stimulus away.
    fn silent() -> Duration {
        let script = include_str!("page.js");
        let ms =
            script.split_once("const SILENT_MS = ").and_then(|(_, rest)| rest.split_once(';')).unwrap().0;
        Duration::from_millis(ms.parse().unwrap())
    }

    #[tokio::test(start_paused = true)]
    async fn a_page_hears_something_often_enough_though_nothing_changes_and_nothing_of_the_stimulus() {
        let (here, there) = tokio::io::duplex(4096);
        let hub = Hub {
            guard: Guard::new((Ipv4Addr::LOCALHOST, 40_000).into()).unwrap(),
            order: tokio::sync::watch::Sender::new(None),
            status: tokio::sync::watch::Sender::new(Status::default()),
        };
        let served = async {
            converse(WebSocketStream::from_raw_socket(here, Role::Server, None).await, &hub).await;
        };
        let page = async {
            let mut page = WebSocketStream::from_raw_socket(there, Role::Client, None).await;
            let (mut last, mut beats) = (Instant::now(), 0);
            while beats < 20 {
                let Some(Ok(message)) = page.next().await else { panic!("the line ended") };
                let Message::Text(text) = message else { continue };
                assert_eq!(
                    serde_json::from_str::<serde_json::Value>(&text).unwrap(),
                    serde_json::json!({ "beat": true })
                );
                assert!(2 * last.elapsed() < silent(), "one that is lost, or late, is no harm");
                (last, beats) = (Instant::now(), beats + 1);
            }
        };
        tokio::select! {
            () = served => panic!("it ended before the page did"),
            () = page => {}
        }
    }
}
