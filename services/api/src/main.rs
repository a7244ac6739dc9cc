//! `keepstart-api`: the service and its tools.

fn main() -> std::process::ExitCode {
    api::cli::run()
}
