//! A bad line between the server and something it needs: a proxy on loopback that refuses, answers for the other side, stands
//! still, or breaks off after so many bytes. A change of its mind ends every connection there is, wherever it stands.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// What is wrong with the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing.
    None,
    /// Connections end before a byte.
    Refuse,
    /// Every request is answered by this status.
    Status(u16),
    /// Requests get through up to so many bytes of a connection; then it ends.
    Request(u64),
    /// Requests get through whole, answers up to so many bytes of a connection.
    Answer(u64),
    /// Nothing comes back.
    Still,
}

/// The line.
#[derive(Debug)]
pub struct Wire {
    /// Where the server is to connect to: `127.0.0.1:<port>`.
    pub address: String,
    fault: watch::Sender<Fault>,
    met: Arc<AtomicU64>,
}

impl Wire {
    /// A line to `host:port`, good at first.
    ///
    /// # Panics
    /// When no port is free.
    pub async fn to(far: &str) -> Wire {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("its address").to_string();
        let (fault, told) = watch::channel(Fault::None);
        let (far, met) = (far.to_owned(), Arc::new(AtomicU64::new(0)));
        let counts = met.clone();
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let (far, mut told, counts) = (far.clone(), told.clone(), counts.clone());
                tokio::spawn(async move {
                    let fault = *told.borrow_and_update();
                    if fault != Fault::None {
                        counts.fetch_add(1, Ordering::SeqCst);
                    }
                    tokio::select! {
                        _ = told.changed() => {}
                        _ = carry(near, &far, fault) => {}
                    }
                });
            }
        });
        Wire { address, fault, met }
    }

    /// Makes it bad, or good again.
    pub fn set(&self, fault: Fault) {
        self.fault.send_replace(fault);
    }

    /// How many connections met a fault so far.
    pub fn met(&self) -> u64 {
        self.met.load(Ordering::SeqCst)
    }
}

async fn carry(mut near: TcpStream, far: &str, fault: Fault) -> std::io::Result<()> {
    match fault {
        Fault::Refuse => return Ok(()),
        Fault::Still => {
            // Read and never answered.
            tokio::io::copy(&mut near, &mut tokio::io::sink()).await?;
            return Ok(());
        }
        Fault::Status(status) => {
            let mut head = [0; 4096];
            let _ = near.read(&mut head).await?;
            let answer = format!("HTTP/1.1 {status} Fault\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            near.write_all(answer.as_bytes()).await?;
            near.shutdown().await?;
            tokio::io::copy(&mut near, &mut tokio::io::sink()).await?;
            return Ok(());
        }
        Fault::None | Fault::Request(_) | Fault::Answer(_) => {}
    }
    let (up, down) = match fault {
        Fault::Request(bytes) => (bytes, u64::MAX),
        Fault::Answer(bytes) => (u64::MAX, bytes),
        _ => (u64::MAX, u64::MAX),
    };
    let mut other = TcpStream::connect(far).await?;
    let (mut near_read, mut near_write) = near.split();
    let (mut far_read, mut far_write) = other.split();
    // Whichever ends first ends both.
    tokio::select! {
        done = pass(&mut near_read, &mut far_write, up) => done,
        done = pass(&mut far_read, &mut near_write, down) => done,
    }
}

async fn pass(
    from: &mut (impl AsyncRead + Unpin),
    to: &mut (impl AsyncWrite + Unpin),
    most: u64,
) -> std::io::Result<()> {
    let (mut left, mut piece) = (most, vec![0; 16 * 1024]);
    while left > 0 {
        let n = from.read(&mut piece).await?;
        if n == 0 {
            return Ok(());
        }
        let n = n.min(usize::try_from(left).unwrap_or(usize::MAX));
        to.write_all(&piece[..n]).await?;
        left -= n as u64;
    }
    Ok(())
}
