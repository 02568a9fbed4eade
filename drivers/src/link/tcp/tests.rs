//! Network addresses as they are written, and connections that end in every way they can.

use proptest::prelude::*;
use tokio::net::TcpListener;

use super::*;

fn endpoint(text: &str) -> Result<String, String> {
    text.parse().map(|endpoint: Endpoint| endpoint.to_string()).map_err(|error| error.to_string())
}

#[test]
fn names_and_addresses_of_both_kinds_are_understood() {
    for (text, usual) in [
        ("192.0.2.7:5025", "192.0.2.7:5025"),
        ("[2001:DB8::0:7]:5025", "[2001:db8::7]:5025"),
        ("[fe80::1%eth0]:5025", "[fe80::1%eth0]:5025"),
        ("Meter-2.Lab.Example:1", "meter-2.lab.example:1"),
        ("localhost:65535", "localhost:65535"),
    ] {
        assert_eq!(endpoint(text).as_deref(), Ok(usual));
    }
}

#[test]
fn what_is_wrong_with_an_address_is_said() {
    for (text, expected) in [
        ("meter", "has no port"),
        ("2001:db8::7:5025", "goes in brackets"),
        ("[2001:db8::7]", "has no \"]:\""),
        ("[meter]:5025", "no host that makes sense"),
        ("[::1%]:5025", "no host that makes sense"),
        ("192.0.2.300:5025", "no host that makes sense"),
        ("192.0.2:5025", "no host that makes sense"),
        (":5025", "no host that makes sense"),
        ("a..b:5025", "no host that makes sense"),
        ("a b:5025", "no host that makes sense"),
        ("-a:5025", "no host that makes sense"),
        ("meter:0", "is no port from 1 to 65535"),
        ("meter:65536", "is no port from 1 to 65535"),
        ("meter:+5", "is no port from 1 to 65535"),
        ("meter:", "is no port from 1 to 65535"),
    ] {
        let error = endpoint(text).expect_err(text);
        assert!(error.contains(expected) && error.contains("\"host:port\""), "{text}: {error}");
    }
}

proptest! {
    #[test]
    fn whatever_is_taken_for_an_address_is_one_and_stays_the_same(text in "[\\[\\]:.%a-zA-Z0-9 -]{0,24}|\\PC{0,40}") {
        if let Ok(endpoint) = text.parse::<Endpoint>() {
            prop_assert!(endpoint.port > 0 && !endpoint.host.is_empty());
            prop_assert_eq!(endpoint.to_string().parse(), Ok(endpoint));
        }
    }

    #[test]
    fn every_ip_address_with_a_port_is_one(address: IpAddr, port in 1_u16..) {
        let text = std::net::SocketAddr::new(address, port).to_string();
        prop_assert_eq!(endpoint(&text), Ok(text));
    }
}

/// A listener, and where it listens.
async fn listener() -> (TcpListener, Endpoint) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let endpoint = listener.local_addr().unwrap().to_string().parse().unwrap();
    (listener, endpoint)
}

#[tokio::test]
async fn bytes_go_there_and_back_and_a_vanished_peer_will_be_noticed() {
    let (listener, endpoint) = listener().await;
    let (link, accepted) = tokio::join!(open(&endpoint), listener.accept());
    let (mut link, (mut peer, _)) = (link.unwrap(), accepted.unwrap());
    link.send(b"*IDN?\n").await.unwrap();
    let mut heard = [0; 6];
    peer.read_exact(&mut heard).await.unwrap();
    assert_eq!(&heard, b"*IDN?\n");
    peer.write_all(b"made up\n").await.unwrap();
    let mut held = b"> ".to_vec();
    while !held.ends_with(b"\n") {
        link.receive(&mut held).await.unwrap();
    }
    assert_eq!(held, b"> made up\n");
}

#[tokio::test]
async fn a_vanished_peer_is_asked_for_while_nobody_talks_to_it() {
    let (listener, endpoint) = listener().await;
    let stream = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
    let tcp = connected(stream, &endpoint).unwrap();
    let socket = SockRef::from(&tcp.stream);
    assert!(socket.keepalive().unwrap() && tcp.stream.nodelay().unwrap());
    let noticed = socket.tcp_keepalive_time().unwrap()
        + socket.tcp_keepalive_interval().unwrap() * socket.tcp_keepalive_retries().unwrap();
    assert!(noticed <= Duration::from_secs(11), "{noticed:?}");
    assert_eq!(socket.tcp_user_timeout().unwrap(), Some(UNCONFIRMED));
}

#[tokio::test]
async fn a_peer_that_closes_or_breaks_off_has_departed() {
    for abort in [false, true] {
        let (listener, endpoint) = listener().await;
        let (link, accepted) = tokio::join!(open(&endpoint), listener.accept());
        let (mut link, (peer, _)) = (link.unwrap(), accepted.unwrap());
        if abort {
            SockRef::from(&peer).set_linger(Some(Duration::ZERO)).unwrap();
        }
        drop(peer);
        let fault = link.departed().await;
        assert_eq!(fault.kind(), FaultKind::Gone);
        let expected = if abort { "broke the connection off" } else { "closed the connection" };
        assert!(fault.to_string().ends_with(expected), "{fault}");
    }
}

#[tokio::test]
async fn nobody_who_listens_and_no_such_name_are_gone_with_what_to_look_at() {
    let (listener, endpoint) = listener().await;
    drop(listener);
    let fault = open(&endpoint).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Gone);
    assert!(fault.to_string().contains("refuses: is it the right port"), "{fault}");
    // RFC 6761, section 6.4: no such name is ever known.
    let fault = open(&"meter.invalid:5025".parse().unwrap()).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Gone);
    assert!(fault.to_string().contains("nobody knows the name \"meter.invalid\""), "{fault}");
}

#[tokio::test]
async fn what_never_answers_is_given_up_in_time() {
    // A queue of one that is full: what comes next gets no answer.
    let socket = tokio::net::TcpSocket::new_v4().unwrap();
    socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
    let listener = socket.listen(0).unwrap();
    let place = listener.local_addr().unwrap();
    let mut held = Vec::new();
    while let Ok(Ok(stream)) =
        tokio::time::timeout(Duration::from_millis(300), TcpStream::connect(place)).await
    {
        held.push(stream);
    }
    let endpoint: Endpoint = place.to_string().parse().unwrap();
    let start = Instant::now();
    let fault = open(&endpoint).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Gone);
    assert!(fault.to_string().contains("doesn't answer"), "{fault}");
    assert!(start.elapsed() < CONNECTING + Duration::from_secs(2), "{:?}", start.elapsed());
}
