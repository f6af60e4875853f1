//! `correct --page`: the page in the browser, until the program is ended.

use crate::cli::Outcome;
use crate::cli::progress::Bar;
use crate::live::server::answering::AnsweringServer;
use crate::live::server::new_token;
use crate::review::page_desk::{PAGE_FILES, PageDesk};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Serves the page on this computer alone.
pub fn serve(root: &Path, port: Option<u16>, seconds: Option<u32>, quiet: bool) -> anyhow::Result<Outcome> {
    let addr = SocketAddr::from((Ipv4Addr::LOCALHOST, port.unwrap_or(0)));
    // Others who use this computer reach the address too, and the page writes: so it has a token all the same.
    let server = AnsweringServer::new(addr, new_token()?)?;
    let bar = Bar::new("recordings", quiet);
    let desk = PageDesk::open(root, &|done, total| bar.tell(done, total));
    bar.finish();
    let desk = desk?;
    note!("page: {}", server.url());
    note!("open it in a browser on this computer; Ctrl-C ends it");
    let most = seconds.map(|s| Duration::from_secs(s.into()));
    server.run(PAGE_FILES, Arc::new(desk), most)?;
    Ok(Outcome::Done)
}
