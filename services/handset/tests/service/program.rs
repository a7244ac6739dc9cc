//! The program as it was built, with a file of its own.

use std::{
    process::{Child, Command, Output, Stdio},
    time::{SystemTime, UNIX_EPOCH},
};

use blackbox::{Town, World, service::NOW};
use model::Instant;
use tempfile::TempDir;

/// The program with its file.
pub(crate) struct Program {
    pub(crate) folder: TempDir,
    clock: String,
    token: String,
}

impl Program {
    pub(crate) fn enrolled(world: &World, town: &Town) -> Self {
        let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        let machine = Instant::from_micros(since.as_micros().try_into().unwrap());
        let person = town.people["technician"];
        let program = Self {
            folder: tempfile::tempdir().unwrap(),
            clock: format!("{NOW}@{machine}"),
            token: world.token(town.id, person),
        };
        let (person, code) = (person.to_string(), town.handset_code());
        let service = world.service.url();
        let enrol = ["enrol", "--service", service, "--name", "Van 2", "--person", &person, "--code", &code];
        assert!(program.done(&enrol).status.success());
        program
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_keepstart-handset"));
        for (name, _) in
            std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("KEEPSTART_"))
        {
            command.env_remove(name);
        }
        command.arg("--file").arg(self.folder.path().join("van-2.db")).args(["--clock", &self.clock]);
        command.args(arguments).env("KEEPSTART_TOKEN", &self.token);
        command
    }

    pub(crate) fn done(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    pub(crate) fn started(&self, arguments: &[&str]) -> Child {
        self.command(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap()
    }
}
