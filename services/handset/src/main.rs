//! `keepstart-handset`: the handset as a program, for people on a small screen, and for scripts.

mod cli;
mod face;
mod machine;
mod traffic;

fn main() -> std::process::ExitCode {
    cli::run()
}
