//! The names and addresses under which browsers in the shop reach this machine.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};

use serde::{Deserialize, Serialize};

/// Names and addresses, each once, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Names {
    /// Host names, lower case.
    pub hosts: Vec<String>,
    /// Addresses, loopback among them.
    pub addresses: Vec<IpAddr>,
}

impl Names {
    /// This machine's name, that name under `.local`, loopback, the addresses it listens on, and what else the one who
    /// runs it says. An address of all zeros stands for the machine's own address on its network.
    pub fn find(listen: &[SocketAddr], further: &[String]) -> Names {
        let mut names = Names::default();
        if let Some(host) = host_name() {
            if !host.contains('.') {
                names.host(&format!("{host}.local"));
            }
            names.host(&host);
        }
        names.host("localhost");
        for text in further {
            match text.parse() {
                Ok(address) => names.address(address),
                Err(_) => names.host(text),
            }
        }
        for socket in listen {
            match socket.ip() {
                IpAddr::V4(a) if a.is_unspecified() => {
                    own_address(IpAddr::V4(a)).into_iter().for_each(|a| names.address(a))
                }
                IpAddr::V6(a) if a.is_unspecified() => {
                    let both = [IpAddr::V4(Ipv4Addr::UNSPECIFIED), IpAddr::V6(a)];
                    both.into_iter().filter_map(own_address).for_each(|a| names.address(a));
                }
                address => names.address(address),
            }
        }
        names.address(IpAddr::V4(Ipv4Addr::LOCALHOST));
        names.address(IpAddr::V6(Ipv6Addr::LOCALHOST));
        names
    }

    /// Adds a host name; one that could not stand in a certificate is left out.
    pub fn host(&mut self, name: &str) {
        let name = name.trim_end_matches('.').to_ascii_lowercase();
        let label = |l: &str| {
            let inner = l.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
            inner && (1..=63).contains(&l.len()) && !l.starts_with('-') && !l.ends_with('-')
        };
        if name.len() <= 253 && name.split('.').all(label) && !self.hosts.contains(&name) {
            self.hosts.push(name);
        }
    }

    /// Adds an address.
    pub fn address(&mut self, address: IpAddr) {
        let address = address.to_canonical();
        if !self.addresses.contains(&address) {
            self.addresses.push(address);
        }
    }

    /// The address that a phone on the shop's network can open: the first that is not loopback, else this machine's
    /// name. `scheme` is `https` or `http`.
    pub fn url(&self, scheme: &str, port: u16) -> Option<String> {
        let address = self.addresses.iter().find(|a| !a.is_loopback());
        let host = match address {
            Some(IpAddr::V6(a)) => format!("[{a}]"),
            Some(IpAddr::V4(a)) => a.to_string(),
            None => self.hosts.iter().find(|h| *h != "localhost")?.clone(),
        };
        Some(format!("{scheme}://{host}:{port}"))
    }
}

/// The machine's name, as the system has it.
fn host_name() -> Option<String> {
    let files = ["/proc/sys/kernel/hostname", "/etc/hostname"];
    let read = files.iter().find_map(|f| std::fs::read_to_string(f).ok());
    let name = read.or_else(|| std::env::var("HOSTNAME").ok()).or_else(|| std::env::var("COMPUTERNAME").ok())?;
    let name = name.trim().to_ascii_lowercase();
    (!name.is_empty() && name != "localhost").then_some(name)
}

/// The address this machine would send from. Choosing a peer for a datagram socket sends nothing; the peers are
/// addresses for documentation (RFC 5737, RFC 3849).
fn own_address(unspecified: IpAddr) -> Option<IpAddr> {
    let socket = UdpSocket::bind((unspecified, 0)).ok()?;
    let peer = if unspecified.is_ipv4() { "192.0.2.1:9" } else { "[2001:db8::1]:9" };
    socket.connect(peer).ok()?;
    let own = socket.local_addr().ok()?.ip();
    (!own.is_unspecified() && !own.is_loopback()).then_some(own)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loopback_and_what_was_said_are_always_there_and_nonsense_is_not() {
        let listen = ["192.168.7.20:8443".parse().expect("address")];
        let further = ["Desk.Example.".into(), "10.0.0.9".into(), "not a name".into(), "*.example".into(), "-x".into()];
        let names = Names::find(&listen, &further);
        assert!(names.hosts.contains(&"localhost".into()) && names.hosts.contains(&"desk.example".into()));
        assert!(!names.hosts.iter().any(|h| h.contains(' ') || h.contains('*') || h.starts_with('-')));
        for address in ["10.0.0.9", "192.168.7.20", "127.0.0.1", "::1"] {
            assert!(names.addresses.contains(&address.parse().expect("address")), "{address}");
        }
        assert_eq!(names.url("https", 8443).as_deref(), Some("https://10.0.0.9:8443"));
    }
}
