//! From whom mail comes, what it links to, and through which server it goes.

use std::{fs, path::PathBuf, time::Duration};

use anyhow::{Context, Result, anyhow, bail};
use clap::{Args, ValueEnum};
use report::digest::{Address, Domain, WebAddress};

/// From whom mails come that are only looked at, and where they lead.
const NOBODY: &str = "keepstart@localhost";
const NOWHERE: &str = "https://keepstart.example";

/// From whom mail comes, and what it links to.
#[derive(Args, Clone, Debug)]
pub(crate) struct Mail {
    /// The address that mail comes from; without a mail server keepstart@localhost.
    #[arg(long, env = "KEEPSTART_MAIL_FROM")]
    from: Option<String>,
    /// The name that is shown with it.
    #[arg(long, env = "KEEPSTART_MAIL_FROM_NAME", default_value = "Keepstart")]
    from_name: String,
    /// Where the API is reached from outside; links and the unsubscribe address begin with it. Must be https; without a mail
    /// server a name that leads nowhere stands there.
    #[arg(long, env = "KEEPSTART_PUBLIC_URL")]
    public_url: Option<String>,
    /// An address to which people may write to be taken off a list.
    #[arg(long, env = "KEEPSTART_MAIL_UNSUBSCRIBE")]
    unsubscribe_to: Option<String>,
}

/// The same, read.
#[derive(Clone, Debug)]
pub(crate) struct Sender {
    pub(crate) from: Address,
    pub(crate) from_name: String,
    pub(crate) domain: Domain,
    pub(crate) public: WebAddress,
    pub(crate) unsubscribe_to: Option<Address>,
}

impl Mail {
    /// Reads the settings; whoever sends mail has to say from whom, and how people leave.
    pub(crate) fn parse(&self, sends: bool) -> Result<Sender> {
        let said = self.from.is_some() && self.public_url.is_some() && self.unsubscribe_to.is_some();
        if sends && !said {
            bail!(
                "--smtp takes --from, --public-url and --unsubscribe-to, too: by these people leave a list"
            );
        }
        let address =
            |name: &str, text: &str| Address::parse(text).with_context(|| format!("--{name} {text}"));
        let from = address("from", self.from.as_deref().unwrap_or(NOBODY))?;
        let domain = from.as_str().rsplit_once('@').map_or("", |(_, domain)| domain);
        let public = WebAddress::parse(self.public_url.as_deref().unwrap_or(NOWHERE).trim_end_matches('/'))
            .context("--public-url")?;
        if !public.is_https() {
            bail!("--public-url must begin with https: the unsubscribe address is read over TLS (RFC 8058)");
        }
        Ok(Sender {
            domain: Domain::parse(domain).context("--from")?,
            from,
            from_name: self.from_name.clone(),
            public,
            unsubscribe_to: self
                .unsubscribe_to
                .as_deref()
                .map(|text| address("unsubscribe-to", text))
                .transpose()?,
        })
    }
}

/// Where mail goes.
#[derive(Args, Clone, Debug)]
pub(crate) struct Sending {
    /// The mail server, HOST:PORT; without it, and without a folder, mails wait for a while, and then fail.
    #[arg(long, env = "KEEPSTART_SMTP", conflicts_with = "mail_folder")]
    pub(crate) smtp: Option<String>,
    /// How the connection is secured; there is no way to send in the clear.
    #[arg(long, env = "KEEPSTART_SMTP_TLS", default_value = "starttls")]
    pub(crate) smtp_tls: Tls,
    /// The name to log in by.
    #[arg(long, env = "KEEPSTART_SMTP_USER")]
    pub(crate) smtp_user: Option<String>,
    /// A file with the password, of which the first line counts.
    #[arg(long, env = "KEEPSTART_SMTP_PASSWORD_FILE", requires = "smtp_user")]
    smtp_password_file: Option<PathBuf>,
    /// A file with one more authority to trust for the server's certificate (PEM).
    #[arg(long, env = "KEEPSTART_SMTP_CA")]
    pub(crate) smtp_ca: Option<PathBuf>,
    /// Seconds to wait for each answer of the server.
    #[arg(long, env = "KEEPSTART_SMTP_TIMEOUT", default_value_t = 30, value_parser = clap::value_parser!(u64).range(1..=300))]
    smtp_timeout: u64,
    /// Write mails into this folder instead of sending them.
    #[arg(long, env = "KEEPSTART_MAIL_FOLDER")]
    pub(crate) mail_folder: Option<PathBuf>,
}

/// How a connection to the mail server is secured.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum Tls {
    /// STARTTLS, without which nothing is sent.
    Starttls,
    /// TLS from the first byte.
    Implicit,
}

impl Sending {
    /// How long to wait for each answer of the server.
    pub(crate) fn timeout(&self) -> Duration {
        Duration::from_secs(self.smtp_timeout)
    }

    /// The password, if there is one.
    pub(crate) fn password(&self) -> Result<Option<String>> {
        let Some(file) = &self.smtp_password_file else { return Ok(None) };
        let text = fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?;
        let line = text.lines().next().ok_or_else(|| anyhow!("{} is empty", file.display()))?;
        Ok(Some(line.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_sends_says_from_whom_and_how_people_leave() {
        let whole = Mail {
            from: Some("digest@tarn-valley.example".to_owned()),
            from_name: "Keepstart".to_owned(),
            public_url: Some("https://keepstart.tarn-valley.example/".to_owned()),
            unsubscribe_to: Some("leave@tarn-valley.example".to_owned()),
        };
        assert_eq!(
            whole.parse(true).map(|sender| sender.domain.to_string()).ok().as_deref(),
            Some("tarn-valley.example")
        );
        let without: [fn(&mut Mail); 3] =
            [|mail| mail.from = None, |mail| mail.public_url = None, |mail| mail.unsubscribe_to = None];
        for (n, take) in without.iter().enumerate() {
            let mut mail = whole.clone();
            take(&mut mail);
            assert!(mail.parse(true).is_err() && mail.parse(false).is_ok(), "{n}");
        }
        let plain = Mail { public_url: Some("http://localhost".to_owned()), ..whole };
        assert!(plain.parse(false).is_err(), "an address for leaving is read over TLS (RFC 8058)");
    }
}
