//! The built night shift, run for a test: by itself at one instant, or until it is told to stop.

use std::{
    path::PathBuf,
    process::{Child, Command, Output, Stdio},
};

use crate::{
    Database, Smtp,
    service::{in_folder, program},
    smtp::{PASSWORD, USER},
};

/// From whom the mails of the tests come.
pub const FROM: &str = "digest@keepstart.example";
/// Where the API is reached, as the mails say.
pub const PUBLIC_URL: &str = "https://keepstart.example";

/// What a night shift on a database needs to send through a mail server.
pub struct Nightly<'a> {
    database: &'a Database,
    smtp: &'a Smtp,
    password: PathBuf,
}

impl<'a> Nightly<'a> {
    /// One that logs in as the server wants it to.
    pub fn new(database: &'a Database, smtp: &'a Smtp) -> Self {
        let password = PathBuf::from(in_folder(database, "smtp_password"));
        std::fs::write(&password, format!("{PASSWORD}\n")).unwrap();
        Self { database, smtp, password }
    }

    /// Does what is due at an instant, and ends.
    pub fn once(&self, at: &str) -> Output {
        self.command("once", &["--at", at, "--clock", at]).output().unwrap()
    }

    /// A subcommand with where its data is and where mail goes.
    pub fn command(&self, name: &str, arguments: &[&str]) -> Command {
        let server = format!("{}:{}", self.smtp.host(), self.smtp.port());
        let mut command = program("keepstart-nightly", &[name]);
        command.args(["--database-url", self.database.url(), "--from", FROM, "--public-url", PUBLIC_URL]);
        command.args(["--unsubscribe-to", "leave@keepstart.example"]);
        command.args(["--blobs", &in_folder(self.database, "blobs")]);
        command.args(["--smtp", &server, "--smtp-user", USER, "--smtp-timeout", "2"]);
        command.arg("--smtp-password-file").arg(&self.password);
        command.arg("--smtp-ca").arg(self.smtp.authority());
        command.args(arguments);
        command
    }
}

/// A night shift that keeps stored states up to the present while a test runs, and sends no mail.
pub struct NightShift(Child);

impl NightShift {
    /// Starts one, its clock beginning at `clock`.
    pub fn start(database: &Database, clock: &str) -> Self {
        Self::on(database.url(), clock)
    }

    /// The same on the database of an address.
    pub fn on(url: &str, clock: &str) -> Self {
        let arguments = ["run", "--database-url", url, "--clock", clock, "--listen", "127.0.0.1:0"];
        let mut command = program("keepstart-nightly", &arguments);
        let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        Self(child)
    }

    /// Ends it at once, as a power cut would.
    pub fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for NightShift {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
