//! `keepstart-handset`: the handset as a program, for scripts: what it reads and says is JSON, a line for each thing.

mod cli;
mod machine;

fn main() -> std::process::ExitCode {
    cli::run()
}
