//! Where `muffle serve` is reached, and by whom.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tokio_util::task::TaskTracker;

use super::CliError;
use crate::config::Plan;
use crate::daemon::Engine;
use crate::daemon::access::Access;
use crate::daemon::http::{Site, listen, router, serve, tls};
use crate::store::PlanText;

/// The port when none is given; the next free one if it is taken.
const PORT: u16 = 7373;
/// How long answers under way may take when the daemon ends; with what stations need, within two seconds.
const GRACE: Duration = Duration::from_millis(1500);

/// Where the API and the page are.
#[derive(Debug, Args)]
pub(super) struct ListenArgs {
    /// Where the page and the API are; may be given several times. Beyond loopback a token is needed
    /// (`muffle serve token`). [default: 127.0.0.1:7373]
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Vec<SocketAddr>,
    /// A host name it is reached by, besides localhost and plain addresses; may be given several times.
    #[arg(long = "name", value_name = "HOST")]
    names: Vec<String>,
    /// Need tokens on loopback too, on a computer that strangers use.
    #[arg(long)]
    tokens: bool,
    /// A plan to choose on the page; may be given several times.
    #[arg(long = "plan", value_name = "FILE")]
    plans: Vec<PathBuf>,
    /// The certificate with those that signed it (PEM): connections are then encrypted.
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    tls_certificate: Option<PathBuf>,
    /// Its private key (PEM).
    #[arg(long, value_name = "FILE", requires = "tls_certificate")]
    tls_key: Option<PathBuf>,
}

/// Sockets that are bound, before anybody is answered.
pub(super) struct Listening {
    listeners: Vec<(SocketAddr, TcpListener)>,
    names: Vec<String>,
    tokens: bool,
    plans: Vec<PlanText>,
    tls: Option<TlsAcceptor>,
}

impl Listening {
    /// Binds what is asked for and reads what is to be served; the first fault ends it.
    pub(super) async fn bind(args: ListenArgs) -> Result<Self, CliError> {
        let tls = match (&args.tls_certificate, &args.tls_key) {
            (Some(certificate), Some(key)) => {
                let made = tls(certificate, key);
                Some(made.map_err(|error| CliError::Input(error.to_string()))?)
            }
            _ => None,
        };
        let mut plans = Vec::new();
        for path in &args.plans {
            let plan = Plan::load(path)?;
            plans.push(PlanText {
                name: plan.name,
                text: plan.text,
            });
        }
        Ok(Self {
            listeners: bind(&args.listen)?,
            names: args.names,
            tokens: args.tokens,
            plans,
            tls,
        })
    }

    /// Addresses of the page.
    pub(super) fn pages(&self) -> Vec<String> {
        let scheme = if self.tls.is_some() { "https" } else { "http" };
        let addresses = self.listeners.iter();
        addresses
            .map(|(at, _)| format!("{scheme}://{at}/"))
            .collect()
    }

    /// Answers from now on, until the engine ends.
    pub(super) fn serve(self, engine: &Engine) -> TaskTracker {
        for page in self.pages() {
            eprintln!("page and API at {page}");
        }
        let stop = engine.ending().clone();
        let bound: Vec<SocketAddr> = self.listeners.iter().map(|(at, _)| *at).collect();
        let mut access = Access::new(engine.store().clone(), &bound).with_names(self.names);
        if self.tokens {
            access = access.with_tokens();
        }
        match &self.tls {
            Some(_) => access = access.with_tls(),
            None if bound.iter().any(|at| !at.ip().is_loopback()) => {
                eprintln!("tokens travel unencrypted: give --tls-certificate and --tls-key");
            }
            None => {}
        }
        let router = router(Site::new(engine.clone(), access, self.plans, stop.clone()));
        let tasks = TaskTracker::new();
        for (_, listener) in self.listeners {
            let (tls, router, stop) = (self.tls.clone(), router.clone(), stop.clone());
            tasks.spawn(serve(listener, tls, router, stop, GRACE));
        }
        tasks.close();
        tasks
    }
}

fn bind(wanted: &[SocketAddr]) -> Result<Vec<(SocketAddr, TcpListener)>, CliError> {
    let cannot = |at: SocketAddr, error: std::io::Error| {
        CliError::Input(format!(
            "--listen {at}: {error}; choose another address or port"
        ))
    };
    let mut listeners = Vec::new();
    let usual = SocketAddr::from((Ipv4Addr::LOCALHOST, PORT));
    for at in wanted {
        listeners.push(listen(*at).map_err(|error| cannot(*at, error))?);
    }
    if wanted.is_empty() {
        let free = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let listener = listen(usual).or_else(|_| listen(free));
        listeners.push(listener.map_err(|error| cannot(free, error))?);
    }
    let with_address = listeners.into_iter().map(|listener| {
        let at = listener
            .local_addr()
            .map_err(|error| cannot(usual, error))?;
        Ok((at, listener))
    });
    with_address.collect()
}
