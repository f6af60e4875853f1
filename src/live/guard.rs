//! Who may speak to the page's server: host names, origins, and the token off loopback.

use crate::error::{Error, Result};
use std::net::{IpAddr, SocketAddr};

/// Shortest token accepted.
const TOKEN_LEAST: usize = 16;

/// Checks every request.
#[derive(Debug, Clone)]
pub struct RequestGuard {
    addr: SocketAddr,
    token: Option<String>,
}

impl RequestGuard {
    /// For a server bound to `addr`.
    ///
    /// # Errors
    /// [`Error::Setting`] when others on the network could reach it and there is no token, or a short one.
    pub fn new(addr: SocketAddr, token: Option<String>) -> Result<RequestGuard> {
        if token.is_none() && !addr.ip().is_loopback() {
            return Err(Error::Setting {
                what: "token of the live page".into(),
                found: format!("none, listening on {addr}"),
                expected: "a token, since others on the network can reach that address".into(),
            });
        }
        if let Some(token) = &token
            && (token.len() < TOKEN_LEAST || !token.bytes().all(|b| b.is_ascii_alphanumeric()))
        {
            return Err(Error::Setting {
                what: "token of the live page".into(),
                found: format!("{} characters", token.len()),
                expected: format!("at least {TOKEN_LEAST} letters and digits"),
            });
        }
        Ok(RequestGuard { addr, token })
    }

    /// Where the server is bound.
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// Whether a `Host` header may be answered: this computer by its numbers, or `localhost`. A name that somebody else
    /// can point at this computer is none of them (DNS rebinding).
    pub fn host(&self, host: &str) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.contains(']') => (name, port.parse().ok()),
            _ => (host, Some(80)),
        };
        if port != Some(self.addr.port()) {
            return false;
        }
        if name.eq_ignore_ascii_case("localhost") {
            return true;
        }
        let literal = name
            .strip_prefix('[')
            .and_then(|n| n.strip_suffix(']'))
            .unwrap_or(name);
        let Ok(ip) = literal.parse::<IpAddr>() else {
            return false;
        };
        ip.is_loopback() || ip == self.addr.ip() || self.addr.ip().is_unspecified()
    }

    /// Whether an `Origin` header is this very page, whose host was allowed.
    pub fn origin(&self, origin: &str, host: &str) -> bool {
        origin
            .strip_prefix("http://")
            .is_some_and(|o| o.eq_ignore_ascii_case(host))
    }

    /// Whether a token is needed.
    pub fn needs_token(&self) -> bool {
        self.token.is_some()
    }

    /// Whether this is the token; takes the same time for every wrong one of that length.
    pub fn token(&self, given: &str) -> bool {
        let Some(token) = &self.token else { return true };
        let (a, b) = (token.as_bytes(), given.as_bytes());
        let differ = a.iter().zip(b).fold(0, |d, (x, y)| d | (x ^ y));
        a.len() == b.len() && std::hint::black_box(differ) == 0
    }

    /// Name of the cookie: cookies do not know ports, so the name does.
    pub fn cookie_name(&self) -> String {
        format!("tautpoint_{}", self.addr.port())
    }

    /// Whether a `Cookie` header carries the token.
    pub fn cookie(&self, header: &str) -> bool {
        let name = self.cookie_name();
        let mut pairs = header.split(';').filter_map(|p| p.trim().split_once('='));
        pairs.any(|(n, v)| n == name && self.token(v))
    }

    /// The cookie that keeps the token out of the address and out of reach of scripts.
    pub fn set_cookie(&self) -> Option<String> {
        let token = self.token.as_ref()?;
        Some(format!(
            "{}={token}; Path=/; HttpOnly; SameSite=Strict",
            self.cookie_name()
        ))
    }

    /// The address to open by one of this computer's own, token included.
    pub fn url_at(&self, addr: SocketAddr) -> String {
        let query = self
            .token
            .as_ref()
            .map_or(String::new(), |t| format!("?token={t}"));
        format!("http://{addr}/{query}")
    }
}

/// A new token: 128 bits from the system.
///
/// # Errors
/// [`Error::Io`] when the system has no source of random numbers.
pub fn new_token() -> Result<String> {
    let mut bytes = [0_u8; 16];
    getrandom::fill(&mut bytes).map_err(|e| {
        Error::io(
            "random numbers",
            std::io::Error::other(e.to_string()),
            "leave --listen out: on this computer alone the page needs no token",
        )
    })?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guard(addr: &str, token: Option<&str>) -> RequestGuard {
        RequestGuard::new(addr.parse().unwrap(), token.map(str::to_owned)).unwrap()
    }

    #[test]
    fn only_this_computer_by_number_or_localhost_is_a_host() {
        let g = guard("127.0.0.1:8080", None);
        for host in ["127.0.0.1:8080", "localhost:8080", "LOCALHOST:8080", "[::1]:8080"] {
            assert!(g.host(host), "{host}");
        }
        for host in [
            "evil.example:8080",
            "127.0.0.1.evil.example:8080",
            "127.0.0.1:9090",
            "127.0.0.1",
            "192.168.1.7:8080",
            "",
            "localhost.:8080",
        ] {
            assert!(!g.host(host), "{host}");
        }
        let open = guard("0.0.0.0:8080", Some("0123456789abcdef"));
        assert!(open.host("192.168.1.7:8080") && !open.host("lab.example:8080"));
    }

    #[test]
    fn an_origin_is_the_host_itself() {
        let g = guard("127.0.0.1:8080", None);
        assert!(g.origin("http://127.0.0.1:8080", "127.0.0.1:8080"));
        for origin in [
            "null",
            "https://127.0.0.1:8080",
            "http://evil.example",
            "http://localhost:8080",
        ] {
            assert!(!g.origin(origin, "127.0.0.1:8080"), "{origin}");
        }
    }

    #[test]
    fn off_loopback_a_token_is_needed_and_only_it_opens() {
        assert!(RequestGuard::new("0.0.0.0:1".parse().unwrap(), None).is_err());
        assert!(RequestGuard::new("0.0.0.0:1".parse().unwrap(), Some("short".into())).is_err());
        let token = new_token().unwrap();
        assert_eq!(token.len(), 32);
        assert_ne!(token, new_token().unwrap());
        let g = guard("10.0.0.1:80", Some(&token));
        assert!(g.token(&token) && !g.token("") && !g.token(&token[1..]));
        assert!(g.cookie(&format!("a=b; tautpoint_80={token}")));
        assert!(!g.cookie(&format!("tautpoint_81={token}")));
    }
}
