//! The addresses that this computer has in the networks it is on.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};

/// One address in each of the ranges that networks in a building use (RFC 1918, RFC 3927), and one outside of all
/// (RFC 5737): the system says from which of its own addresses it would go there. None of them is sent anything.
const TOWARDS: [Ipv4Addr; 5] = [
    Ipv4Addr::new(192, 0, 2, 1),
    Ipv4Addr::new(192, 168, 0, 1),
    Ipv4Addr::new(10, 0, 0, 1),
    Ipv4Addr::new(172, 16, 0, 1),
    Ipv4Addr::new(169, 254, 0, 1),
];
/// The same for version 6 (RFC 3849).
const TOWARDS_6: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1);

/// The address to open on this computer: one that is bound to all of its addresses is none.
pub fn address_here(bound: SocketAddr) -> SocketAddr {
    let mut here = bound;
    if here.ip().is_unspecified() {
        here.set_ip(match here {
            SocketAddr::V4(_) => Ipv4Addr::LOCALHOST.into(),
            SocketAddr::V6(_) => Ipv6Addr::LOCALHOST.into(),
        });
    }
    here
}

/// The addresses to open on other devices in the room; `None` when only this computer can reach the page. Empty when this
/// computer is on no network.
pub fn addresses_in_the_room(bound: SocketAddr) -> Option<Vec<SocketAddr>> {
    if bound.ip().is_loopback() {
        return None;
    }
    let own = match bound.ip().is_unspecified() {
        true => own_addresses(bound.is_ipv6()),
        false => vec![bound.ip()],
    };
    Some(own.into_iter().map(|ip| SocketAddr::new(ip, bound.port())).collect())
}

/// Those that others may reach it by, the likeliest first; with `version_6` those of version 6 too.
fn own_addresses(version_6: bool) -> Vec<IpAddr> {
    let towards = TOWARDS.into_iter().map(IpAddr::from);
    let further = version_6.then_some(TOWARDS_6.into());
    let mut own = Vec::new();
    for there in towards.chain(further) {
        if let Some(address) = from_where(there).filter(|a| !a.is_loopback() && !a.is_unspecified())
            && !own.contains(&address)
        {
            own.push(address);
        }
    }
    own
}

fn from_where(there: IpAddr) -> Option<IpAddr> {
    let any: IpAddr = match there {
        IpAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
        IpAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
    };
    let socket = UdpSocket::bind((any, 0)).ok()?;
    // A datagram socket that is connected has only chosen its way.
    socket.connect((there, 9)).ok()?;
    Some(socket.local_addr().ok()?.ip())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_address_found_is_one_that_can_be_bound_here() {
        for address in own_addresses(true) {
            assert!(!address.is_unspecified() && !address.is_loopback());
            // Only an address of this computer can be bound.
            UdpSocket::bind((address, 0)).unwrap();
        }
    }
}
