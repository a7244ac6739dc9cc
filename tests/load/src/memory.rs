//! Memory of a process, as the kernel counts it.

use anyhow::{Context, Result};

use crate::{options::On, table::Line};

const BAR: f64 = 150.0;

/// The line about a service that has answered all that this run asked it.
pub(crate) fn line(on: On, units: u32, pid: u32) -> Result<Line> {
    of_process(&format!("memory of the API at {units} units, after GET and list"), on, pid)
}

/// A line about the memory that a process has, and the most that it had since it began or since [`forget_most`].
pub(crate) fn of_process(what: &str, on: On, pid: u32) -> Result<Line> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status"))?;
    let now = megabytes(&status, "VmRSS").context("no VmRSS")?;
    let most = megabytes(&status, "VmHWM").context("no VmHWM")?;
    let text = format!("{now:.0} MB, {most:.0} MB at most");
    Ok(Line::figure(what, on.name(), text, "under 150 MB", Some(most < BAR)))
}

/// The most memory that a process has had so far, in MB; none of one that is gone.
pub(crate) fn most_of(pid: u32) -> Option<f64> {
    megabytes(&std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?, "VmHWM")
}

/// Has the kernel forget the most that a process had so far (5 in `clear_refs`, proc(5)).
pub(crate) fn forget_most(pid: u32) -> Result<()> {
    std::fs::write(format!("/proc/{pid}/clear_refs"), "5").context("the most memory cannot be forgotten")
}

/// A figure of `/proc/PID/status`, in MB of a million bytes.
fn megabytes(status: &str, name: &str) -> Option<f64> {
    let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))?;
    let kibibytes: u32 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(f64::from(kibibytes) * 1024.0 / 1e6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_found_by_name() {
        let status = "Name:\tkeepstart-api\nVmHWM:\t  125000 kB\nVmRSS:\t  100000 kB\nThreads:\t4\n";
        assert_eq!(megabytes(status, "VmRSS"), Some(102.4));
        assert_eq!(megabytes(status, "VmHWM"), Some(128.0));
        assert_eq!(megabytes(status, "Threads"), None);
        assert_eq!(megabytes(status, "Vm"), None);
    }
}
