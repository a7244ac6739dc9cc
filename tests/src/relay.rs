//! A relay between a client and services: a plain round robin, or a network that breaks off.

use std::{
    io,
    net::SocketAddr,
    sync::{
        Arc, LazyLock,
        atomic::{AtomicU64, AtomicUsize, Ordering},
    },
};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt, copy},
    net::{
        TcpListener, TcpStream,
        tcp::{ReadHalf, WriteHalf},
    },
    runtime::{Builder, Runtime},
    task::JoinHandle,
};

/// Carries the bytes of all relays.
static CARRIER: LazyLock<Runtime> =
    LazyLock::new(|| Builder::new_multi_thread().worker_threads(2).enable_io().build().unwrap());

/// How many bytes of a connection arrive before both of its ends are closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut {
    /// Of what the client sends.
    pub sent: u64,
    /// Of what the service answers.
    pub answered: u64,
}

/// A listener on a loopback port that hands each connection to the next of its services, as the bytes come.
pub struct Relay {
    url: String,
    taken: Arc<Vec<AtomicUsize>>,
    carried: Arc<AtomicU64>,
    listening: JoinHandle<()>,
}

impl Cut {
    /// Whatever is sent arrives.
    pub const NEVER: Self = Self { sent: u64::MAX, answered: u64::MAX };
}

impl Relay {
    /// Before services in turn.
    pub fn round_robin(services: &[&str]) -> Self {
        Self::cutting(services, || Cut::NEVER)
    }

    /// The same, where each connection is cut as `cut` says.
    pub fn cutting(services: &[&str], mut cut: impl FnMut() -> Cut + Send + 'static) -> Self {
        let services: Vec<SocketAddr> = services.iter().map(|url| address(url)).collect();
        let listener = CARRIER.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let taken: Arc<Vec<AtomicUsize>> = Arc::new(services.iter().map(|_| AtomicUsize::new(0)).collect());
        let counted = Arc::clone(&taken);
        let carried = Arc::new(AtomicU64::new(0));
        let bytes = Arc::clone(&carried);
        let listening = CARRIER.spawn(async move {
            for n in (0..services.len()).cycle() {
                let Ok((client, _)) = listener.accept().await else { return };
                counted[n].fetch_add(1, Ordering::SeqCst);
                tokio::spawn(carry(client, services[n], cut(), Arc::clone(&bytes)));
            }
        });
        Self { url, taken, carried, listening }
    }

    /// Where it listens, such as `http://127.0.0.1:1234`.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// How many connections each service was handed.
    pub fn taken(&self) -> Vec<usize> {
        self.taken.iter().map(|taken| taken.load(Ordering::SeqCst)).collect()
    }

    /// How many bytes it has carried, both ways, on connections that are over.
    pub fn carried(&self) -> u64 {
        self.carried.load(Ordering::SeqCst)
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.listening.abort();
    }
}

fn address(url: &str) -> SocketAddr {
    url.trim_start_matches("http://").parse().unwrap()
}

/// Carries one connection until it ends, or is cut. A service that is gone shows as an end without an answer.
async fn carry(mut client: TcpStream, service: SocketAddr, cut: Cut, carried: Arc<AtomicU64>) {
    let Ok(mut service) = TcpStream::connect(service).await else { return };
    let _ = (client.set_nodelay(true), service.set_nodelay(true));
    let ((from_client, to_client), (from_service, to_service)) = (client.split(), service.split());
    // The first way that fails takes the other one with it.
    let _ = tokio::try_join!(
        one_way(from_client, to_service, cut.sent, &carried),
        one_way(from_service, to_client, cut.answered, &carried)
    );
}

async fn one_way(
    from: ReadHalf<'_>,
    mut to: WriteHalf<'_>,
    most: u64,
    carried: &AtomicU64,
) -> io::Result<()> {
    let bytes = copy(&mut from.take(most), &mut to).await?;
    carried.fetch_add(bytes, Ordering::SeqCst);
    if bytes == most {
        return Err(io::ErrorKind::ConnectionAborted.into());
    }
    to.shutdown().await
}
