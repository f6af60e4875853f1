//! Who may open the pages of a desk, and by which address.

use super::super::access::{PageRole, Token};
use super::{Desk, locked};
use crate::error::Result;
use crate::live::server::{address_here, addresses_in_the_room};
use std::net::SocketAddr;

impl Desk {
    /// Whose token this is.
    pub fn role_of(&self, token: &str) -> Option<PageRole> {
        locked(&self.access).role_of(token)
    }

    /// The token of a role.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn token(&self, role: PageRole) -> Result<Token> {
        locked(&self.access).token(role)
    }

    /// A new token for a role, and the end of every page that was opened by the old one.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub(in crate::desk) fn replace_token(&self, role: PageRole) -> Result<Token> {
        if let PageRole::Table(id) = role {
            self.table(id)?;
        }
        let token = locked(&self.access).replace(role)?;
        self.cut(role);
        Ok(token)
    }

    /// Ends the streams that a role may see; whoever may see them still comes back by itself.
    fn cut(&self, role: PageRole) {
        match role {
            // The teacher's token opens every page.
            PageRole::Teacher => {
                self.shelf.clear();
                self.room.teacher.cut();
                self.room.look.cut();
                self.tables().iter().for_each(|(_, table)| table.stream.cut());
            }
            PageRole::Look => self.room.look.cut(),
            PageRole::Table(id) => self.table(id).iter().for_each(|table| table.stream.cut()),
        }
    }

    /// Ends the streams of tokens that have ended; to be called every now and then.
    pub fn cut_ended(&self) {
        let ended = locked(&self.access).take_ended();
        ended.into_iter().for_each(|role| self.cut(role));
    }

    /// The address of a role's page on this computer, with its token.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn url(&self, role: PageRole) -> Result<String> {
        self.url_at(address_here(self.options.addr), role)
    }

    /// The address that another device in the room opens; that of this computer where no other can reach it.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn url_in_the_room(&self, role: PageRole) -> Result<String> {
        let own = addresses_in_the_room(self.options.addr).and_then(|a| a.into_iter().next());
        self.url_at(own.unwrap_or(address_here(self.options.addr)), role)
    }

    fn url_at(&self, addr: SocketAddr, role: PageRole) -> Result<String> {
        Ok(format!("http://{addr}{}?token={}", role.path(), self.token(role)?.token))
    }

    /// Whether other devices can reach the pages: the way to them is then not encrypted.
    pub fn is_in_the_room(&self) -> bool {
        !self.options.addr.ip().is_loopback()
    }
}
