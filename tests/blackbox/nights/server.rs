//! The mail server of the tests does for Rust what `tests/mail/check_server.py` shows that it does.

use std::{
    io::{BufRead, BufReader, ErrorKind},
    net::TcpStream,
    time::Duration,
};

use blackbox::{Smtp, smtp::Behaviour};

/// How long a client waits for a word.
const PATIENCE: Duration = Duration::from_millis(300);

#[test]
fn the_server_does_as_it_is_told() {
    let mut smtp = Smtp::start();
    let greeting = |smtp: &Smtp| -> Result<String, ErrorKind> {
        let connection = TcpStream::connect(("127.0.0.1", smtp.port())).map_err(|error| error.kind())?;
        connection.set_read_timeout(Some(PATIENCE)).unwrap();
        let mut line = String::new();
        BufReader::new(connection).read_line(&mut line).map_err(|error| error.kind())?;
        Ok(line[..3].to_owned())
    };
    let cases = [
        (Behaviour::Ok, Ok("220")),
        (Behaviour::Down, Err(ErrorKind::ConnectionRefused)),
        (Behaviour::Hang, Err(ErrorKind::WouldBlock)),
        (Behaviour::Refuse(vec!["a@town.example".to_owned(), "b@town.example".to_owned()]), Ok("220")),
    ];
    for (behaviour, expected) in cases {
        smtp.say(&behaviour);
        assert_eq!(greeting(&smtp).as_deref(), expected.as_ref().map(|code| *code), "{behaviour:?}");
    }
    smtp.wait_for("connected", 3, Duration::from_secs(5));
    assert_eq!((smtp.count("connected"), smtp.count("mail")), (3, 0));
    assert!(smtp.mails().is_empty());
}
