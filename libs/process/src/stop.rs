//! How a process stops.

use std::io;

use tokio::signal::unix::{Signal, SignalKind, signal};

/// Waits until the process is told to stop, by whoever runs it or from its terminal; told once more, it ends at once.
pub fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    let mut signals = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    Ok(async move {
        told_to_stop(&mut signals).await;
        tokio::spawn(async move {
            told_to_stop(&mut signals).await;
            // What is acknowledged is on the disk.
            std::process::exit(1)
        });
    })
}

/// Waits for one of two signals.
async fn told_to_stop((one, other): &mut (Signal, Signal)) {
    tokio::select! {
        _ = one.recv() => {}
        _ = other.recv() => {}
    }
}
