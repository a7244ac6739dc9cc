//! Sending a mail: over SMTP with STARTTLS and a login, into a folder, or not at all.

use std::{fs, path::PathBuf, sync::Arc};

use anyhow::{Context, Result, anyhow};
use lettre::{
    SmtpTransport, Transport,
    address::Envelope,
    transport::smtp::{
        authentication::Credentials,
        client::{Certificate, Tls as Wrapping, TlsParameters},
    },
};
use report::digest::Address;

use crate::settings::{Sender, Sending, Tls};

/// A server is asked so often for one mail at most: greeting, two EHLO, STARTTLS, the login in two steps, MAIL, RCPT, DATA, the
/// dot, and a second address to connect to.
const ANSWERS_MOST: i64 = 12;

/// The way out.
#[derive(Clone)]
pub(crate) struct Post {
    way: Way,
    from: Address,
    longest_seconds: i64,
}

#[derive(Clone)]
enum Way {
    Smtp(Arc<SmtpTransport>),
    Folder(PathBuf),
    /// Nobody said where mail goes.
    Nowhere,
}

/// Why a mail was not sent.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NotSent {
    /// The server will never take mail for this address.
    #[error("the address is refused: {0}")]
    Refused(String),
    /// It may work later.
    #[error("{0}")]
    NotNow(String),
    /// The server cannot be spoken to, for this mail or any other.
    #[error("{0}")]
    Unreachable(String),
    /// Nobody has said where mail goes; it waits for that like for a server that is down.
    #[error("no mail server is named (--smtp)")]
    Nowhere,
}

impl Post {
    /// Reads where mail goes; connects to nobody yet.
    pub(crate) fn open(sending: &Sending, sender: &Sender) -> Result<Self> {
        let way = match (&sending.smtp, &sending.mail_folder) {
            (Some(server), _) => Way::Smtp(Arc::new(transport(sending, server)?)),
            (None, Some(folder)) => {
                fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
                Way::Folder(folder.clone())
            }
            (None, None) => Way::Nowhere,
        };
        let timeout = i64::try_from(sending.timeout().as_secs()).unwrap_or(i64::MAX);
        let longest_seconds = timeout.saturating_mul(ANSWERS_MOST);
        Ok(Self { way, from: sender.from.clone(), longest_seconds })
    }

    /// How long sending a mail may take.
    pub(crate) fn longest_seconds(&self) -> i64 {
        self.longest_seconds
    }

    /// Sends the bytes of a mail to one address; `name` names the file where there is a folder.
    pub(crate) async fn send(&self, to: &str, name: &str, bytes: Vec<u8>) -> Result<(), NotSent> {
        match &self.way {
            Way::Nowhere => Err(NotSent::Nowhere),
            Way::Folder(folder) => {
                let (file, part) = (folder.join(format!("{name}.eml")), folder.join(format!("{name}.part")));
                // Under its name it is whole.
                fs::write(&part, bytes)
                    .and_then(|()| fs::rename(&part, &file))
                    .map_err(|error| NotSent::NotNow(format!("{}: {error}", file.display())))
            }
            Way::Smtp(transport) => {
                let transport = Arc::clone(transport);
                let envelope = self.envelope(to)?;
                // The connection is made anew for each mail: some thousand a night at most, and no state to go wrong.
                let sent = tokio::task::spawn_blocking(move || transport.send_raw(&envelope, &bytes)).await;
                let sent = sent.map_err(|error| NotSent::NotNow(error.to_string()))?;
                sent.map(drop).map_err(not_sent)
            }
        }
    }

    fn envelope(&self, to: &str) -> Result<Envelope, NotSent> {
        let address = |text: &str| text.parse().map_err(|_| NotSent::Refused("no address".to_owned()));
        Envelope::new(Some(address(self.from.as_str())?), vec![address(to)?])
            .map_err(|error| NotSent::Refused(error.to_string()))
    }
}

fn transport(sending: &Sending, server: &str) -> Result<SmtpTransport> {
    let (host, port) =
        server.rsplit_once(':').ok_or_else(|| anyhow!("--smtp is HOST:PORT, such as mail.example:587"))?;
    let port: u16 = port.parse().context("--smtp: the port")?;
    // An IPv6 address stands in brackets before a port (RFC 3986 section 3.2.2), and nowhere else.
    let host = host.strip_prefix('[').and_then(|host| host.strip_suffix(']')).unwrap_or(host);
    let mut tls = TlsParameters::builder(host.to_owned());
    if let Some(file) = &sending.smtp_ca {
        let pem = fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
        tls = tls.add_root_certificate(Certificate::from_pem(&pem).context("--smtp-ca")?);
    }
    let tls = tls.build().context("TLS for the mail server")?;
    let wrapping = match sending.smtp_tls {
        Tls::Starttls => Wrapping::Required(tls),
        Tls::Implicit => Wrapping::Wrapper(tls),
    };
    let mut builder =
        SmtpTransport::builder_dangerous(host).port(port).tls(wrapping).timeout(Some(sending.timeout()));
    if let Some(user) = &sending.smtp_user {
        let password =
            sending.password()?.ok_or_else(|| anyhow!("--smtp-user needs --smtp-password-file"))?;
        builder = builder.credentials(Credentials::new(user.clone(), password));
    }
    Ok(builder.build())
}

/// What the server's answer means for the mail (RFC 5321 section 4.2.3): 550, 551 and 553 are about the mailbox; all else
/// (a login that is refused, a full disk, a broken line) may be put right.
fn not_sent(error: lettre::transport::smtp::Error) -> NotSent {
    let said = told(&error);
    match error.status().map(u16::from) {
        // By RFC 3463 section 3.8 this is about who sends, and would be said of every address.
        Some(550 | 551 | 553) if !said.contains(" 5.7.") => NotSent::Refused(said),
        Some(_) => NotSent::NotNow(said),
        None => NotSent::Unreachable(said),
    }
}

/// An error with its causes, on one line.
fn told(error: &dyn std::error::Error) -> String {
    let causes = std::iter::successors(Some(error), |error| error.source());
    let texts: Vec<String> = causes.map(ToString::to_string).collect();
    texts.join(": ").replace(['\r', '\n'], " ")
}
