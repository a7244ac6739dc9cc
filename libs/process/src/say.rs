//! What a command line says.

/// A line of what was asked for, on standard output.
#[allow(clippy::print_stdout, reason = "the command line's answer")]
pub fn say(line: &str) {
    println!("{line}");
}

/// A line about what went wrong, on standard error.
#[allow(clippy::print_stderr, reason = "the command line's complaint")]
pub fn say_wrong(line: &str) {
    eprintln!("{line}");
}
