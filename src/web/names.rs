//! By which name and scheme the desk is reached: its own address, or the name that a reverse proxy or a certificate gives it.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use std::net::{IpAddr, SocketAddr};

/// A name by which the desk is reached from elsewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicName {
    name: String,
    port: Option<u16>,
}

impl PublicName {
    /// A host's name, with a port where it is not the scheme's own.
    ///
    /// # Errors
    /// It is not a name: a scheme, a path, an empty label.
    pub fn new(text: &str) -> Result<Self, Failure> {
        let wrong = || {
            let message = format!("{text:?} is not the name of a host");
            Failure::plain("public-name", Fate::WrongUse, message, "give the name alone, as in: --public-name desk.example.org")
        };
        let (name, port) = match text.rsplit_once(':') {
            Some((name, port)) => (name, Some(port.parse::<u16>().map_err(|_| wrong())?)),
            None => (text, None),
        };
        let label = |l: &str| {
            (1..=63).contains(&l.len())
                && l.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
                && !l.starts_with('-')
                && !l.ends_with('-')
        };
        if name.len() > 253 || !name.split('.').all(label) {
            return Err(wrong());
        }
        Ok(Self { name: name.to_ascii_lowercase(), port })
    }

    /// The name without a port.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
}

/// Where the desk is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The address that it listens at, as links show it.
    pub address: SocketAddr,
    /// Addresses of this machine are allowed as Host, not loopback alone.
    pub lan: bool,
    /// Connections are encrypted here.
    pub tls: bool,
    /// The name that a proxy or the certificate gives it.
    pub public: Option<PublicName>,
}

impl Place {
    /// At an address, plain.
    #[must_use]
    pub fn at(address: SocketAddr, lan: bool) -> Self {
        Self { address, lan, tls: false, public: None }
    }

    /// The beginning of every link. A public name without a certificate of ours stands before a proxy, which encrypts.
    #[must_use]
    pub fn base(&self) -> String {
        match &self.public {
            Some(public) => match public.port.or_else(|| self.tls.then_some(self.address.port())) {
                Some(port) => format!("https://{}:{port}", public.name),
                None => format!("https://{}", public.name),
            },
            None => self.local(),
        }
    }

    /// The engineer's own way in, on this computer's address.
    #[must_use]
    pub fn local(&self) -> String {
        format!("{}://{}", if self.tls { "https" } else { "http" }, self.address)
    }

    /// True for hosts that this desk answers to. A foreign page can make a name point here, but not an address: of names, `localhost` and
    /// the public one alone are answered.
    #[must_use]
    pub fn answers_to(&self, host: &str) -> bool {
        self.is_public(host) || self.is_own(host)
    }

    fn is_public(&self, host: &str) -> bool {
        let Some(public) = &self.public else { return false };
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) => (name, port.parse::<u16>().ok()),
            None => (host, None),
        };
        let known = [public.port, Some(self.address.port()), None, Some(443)];
        // A port that is not a number is not a port of ours.
        let fits = if host.contains(':') { port.is_some() && known.contains(&port) } else { true };
        fits && name.eq_ignore_ascii_case(&public.name)
    }

    fn is_own(&self, host: &str) -> bool {
        let Some((name, port)) = host.rsplit_once(':') else { return false };
        if port.parse() != Ok(self.address.port()) {
            return false;
        }
        let address = name.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
        match address {
            Ok(address) => self.lan || address.is_loopback(),
            Err(_) => name.eq_ignore_ascii_case("localhost"),
        }
    }

    /// True for the origin of this desk's own pages under a host that it answers to.
    #[must_use]
    pub fn is_origin(&self, origin: &str, host: &str) -> bool {
        let proxied = self.is_public(host) && !self.tls;
        let with = |scheme: &str| origin.strip_prefix(scheme).and_then(|o| o.strip_prefix("://")) == Some(host);
        if self.tls { with("https") } else { with("http") || (proxied && with("https")) }
    }

    /// True when browsers reach it encrypted under that host.
    #[must_use]
    pub fn is_secure(&self, host: &str) -> bool {
        self.tls || self.is_public(host)
    }

    /// Where a request came from. Behind a proxy on this computer it is what the proxy adds last.
    #[must_use]
    pub fn came_from(&self, peer: IpAddr, forwarded: Option<&str>) -> IpAddr {
        let proxy = self.public.is_some() && !self.tls && peer.is_loopback();
        let said = forwarded.filter(|_| proxy).and_then(|f| f.rsplit(',').next()).and_then(|f| f.trim().parse().ok());
        said.unwrap_or(peer)
    }
}
