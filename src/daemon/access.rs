//! Who may ask what: the one door in front of every path.
//!
//! - **On loopback** nobody needs a token unless the station's keeper asks for it: whoever has a shell on the
//!   bench's computer can talk to the instruments without this program. What must be kept out there is a web
//!   page from elsewhere, open in a browser of the same computer. It cannot pass itself off as ours: the
//!   `Host` must be an address or a name this daemon was given (which defeats names that are pointed at
//!   127.0.0.1), a request with a foreign `Origin` or `Sec-Fetch-Site` is refused, whatever changes something
//!   takes only `application/json` (which a foreign form cannot send), and no answer ever allows another origin.
//! - **Beyond loopback** everything but the login page and its style needs a token: as `Authorization: Bearer`,
//!   or from the page as a cookie that scripts cannot read and other sites cannot send. Reading takes the scope
//!   `read`; every method but GET and HEAD takes `operate`. The method decides, in this one place, so that no
//!   handler can forget to ask.
//!   One form there is, the page's STOP ([`STOP`]), which works without script: it is taken only where `Origin` or
//!   `Sec-Fetch-Site` says that it comes from this daemon's page.
//! - **Requests per client** are limited by its address before anything else is looked at; calls to stop are not, so that
//!   nobody who shares an address with a flood is kept from switching an output off.
//!
//! Nothing a client sends gets further than it should: SQL is written in `store` alone and takes values as
//! bound parameters; no path is made of a request (plans are texts, or names looked up in a list; documents
//! come out of the database); no process is started with anything from a request.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use axum::extract::{Request, State};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::http::{Problem, REQUEST_TIME_MAX};
use crate::store::{Scope, Store};

/// Requests a client may send at once.
pub const BURST_MAX: f64 = 200.0;
/// Requests a client may send in the long run, per second.
pub const RATE_PER_S_MAX: f64 = 50.0;
/// Clients that are told apart; beyond, those seen longest ago are forgotten.
pub const CLIENTS_MAX: usize = 1024;
/// The longest token that is looked at, bytes.
pub const TOKEN_BYTES_MAX: usize = 128;
/// The cookie that the page keeps its token in.
pub const COOKIE: &str = "muffle_token";
/// Where a page sends someone who has no token.
pub const LOGIN: &str = "/login";

/// Where the page's form stops a station, or all.
pub const STOP: &str = "/stop";

/// The address a request came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer(pub SocketAddr);

/// Who asks, as far as is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// The name of the token, or the address.
    pub name: String,
    /// What it may do.
    pub scope: Scope,
}

/// What the door lets through.
#[derive(Debug)]
pub struct Access {
    store: Store,
    tokens: bool,
    secure: bool,
    names: Vec<String>,
    rates: Option<Mutex<Rates>>,
}

impl Access {
    /// The door of a daemon that listens at these addresses. Tokens are needed as soon as one of them is
    /// beyond loopback.
    pub fn new(store: Store, bound: &[SocketAddr]) -> Self {
        Self {
            store,
            tokens: !bound.iter().all(|address| address.ip().is_loopback()),
            secure: false,
            names: vec!["localhost".to_owned()],
            rates: Some(Mutex::default()),
        }
    }

    /// Needs tokens on loopback too, for a computer that strangers use.
    #[must_use]
    pub fn with_tokens(mut self) -> Self {
        self.tokens = true;
        self
    }

    /// Answers to these host names besides `localhost` and plain addresses.
    #[must_use]
    pub fn with_names(mut self, names: impl IntoIterator<Item = String>) -> Self {
        self.names.extend(names);
        self
    }

    /// The connection is encrypted, and its cookie is never sent over one that is not.
    #[must_use]
    pub fn with_tls(mut self) -> Self {
        self.secure = true;
        self
    }

    /// Takes any number of requests; for measuring the daemon itself.
    #[must_use]
    pub fn without_rates(mut self) -> Self {
        self.rates = None;
        self
    }

    /// Whether a token is needed.
    pub fn needs_token(&self) -> bool {
        self.tokens
    }

    /// The cookie that holds `token`; an empty one makes the browser forget it.
    pub fn cookie(&self, token: &str) -> String {
        let age = if token.is_empty() { "; Max-Age=0" } else { "" };
        let secure = if self.secure { "; Secure" } else { "" };
        format!("{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict{secure}{age}")
    }

    /// Who presents this token, if it counts.
    pub async fn caller(&self, token: &str) -> Result<Option<Caller>, Problem> {
        if token.is_empty() || token.len() > TOKEN_BYTES_MAX {
            return Ok(None);
        }
        let known = self.store.token(token).await?;
        Ok(known.map(|known| Caller {
            name: known.name,
            scope: known.scope,
        }))
    }

    async fn admit(
        &self,
        peer: Peer,
        method: &Method,
        path: &str,
        headers: &HeaderMap,
    ) -> Result<Caller, Problem> {
        if !is_stop(method, path) {
            self.within_rate(peer.0.ip())?;
        }
        let host = self.host(headers)?;
        from_here(method, headers, &host)?;
        if path == STOP && !is_proven_here(headers) {
            return Err(Problem::forbidden(
                "this form may only come from the daemon's own page; other programs use /api/v1/stations/STATION/stop",
            ));
        }
        if !self.tokens {
            return Ok(Caller {
                name: peer.0.ip().to_string(),
                scope: Scope::Operate,
            });
        }
        let caller = match presented(headers) {
            Some(token) => self.caller(token).await?,
            None => None,
        };
        match caller {
            Some(caller) if allows(caller.scope, method, path) => Ok(caller),
            Some(caller) => Err(Problem::forbidden(format!(
                "the token of `{}` may read only; `muffle serve token NAME --scope operate` makes one that may do this",
                caller.name
            ))),
            None if is_open(path) => Ok(Caller {
                name: peer.0.ip().to_string(),
                scope: Scope::Read,
            }),
            None => Err(Problem::unauthorized(
                "send `Authorization: Bearer TOKEN`; `muffle serve token NAME` on the bench's computer makes one",
            )),
        }
    }

    fn within_rate(&self, client: IpAddr) -> Result<(), Problem> {
        let Some(rates) = &self.rates else {
            return Ok(());
        };
        let mut rates = rates.lock().unwrap_or_else(PoisonError::into_inner);
        match rates.take(client, Instant::now()) {
            true => Ok(()),
            false => Err(Problem::too_many(format!(
                "{client} sent more than {RATE_PER_S_MAX} requests per second; wait a second"
            ))),
        }
    }

    /// The authority asked for, if it is this daemon's.
    fn host(&self, headers: &HeaderMap) -> Result<String, Problem> {
        let mut hosts = headers.get_all(header::HOST).iter();
        let (Some(host), None) = (hosts.next(), hosts.next()) else {
            return Err(Problem::input("a request needs one `Host` header"));
        };
        let text = host.to_str().unwrap_or_default();
        let authority: Option<Authority> = text.parse().ok();
        let ours = authority.as_ref().is_some_and(|authority| {
            let name = authority.host();
            let address: Option<IpAddr> = name.trim_matches(['[', ']']).parse().ok();
            !text.contains('@')
                && (address.is_some()
                    || self
                        .names
                        .iter()
                        .any(|known| known.eq_ignore_ascii_case(name)))
        });
        match ours {
            true => Ok(text.to_owned()),
            false => Err(Problem::misdirected(format!(
                "`{}` is not a name of this daemon; use its address, or start it with `--name`",
                shown(text)
            ))),
        }
    }
}

/// What a header held, short enough to repeat.
fn shown(text: &str) -> String {
    text.chars().take(60).collect()
}

/// Refuses what a web page from elsewhere made a browser send.
fn from_here(method: &Method, headers: &HeaderMap, host: &str) -> Result<(), Problem> {
    let text = |name: &HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if let Some(origin) = text(&header::ORIGIN) {
        let authority = origin
            .strip_prefix("http://")
            .or_else(|| origin.strip_prefix("https://"));
        if !authority.is_some_and(|authority| authority.eq_ignore_ascii_case(host)) {
            return Err(Problem::forbidden(format!(
                "a page of `{}` may not use this daemon",
                shown(origin)
            )));
        }
    }
    let site = text(&HeaderName::from_static("sec-fetch-site"));
    let elsewhere = matches!(site, Some(site) if site != "same-origin" && site != "none");
    // A link on another page may lead here, as any link may; it may not do anything here.
    let followed = is_reading(method)
        && text(&HeaderName::from_static("sec-fetch-mode")) == Some("navigate")
        && text(&HeaderName::from_static("sec-fetch-dest")) == Some("document");
    match elsewhere && !followed {
        true => Err(Problem::forbidden(
            "a page from elsewhere may not use this daemon",
        )),
        false => Ok(()),
    }
}

/// Whether the browser says that the request comes from this daemon's page, after [`from_here`] found that nothing says
/// otherwise.
fn is_proven_here(headers: &HeaderMap) -> bool {
    headers.contains_key(header::ORIGIN)
        || headers
            .get("sec-fetch-site")
            .is_some_and(|site| site == "same-origin")
}

/// Whether a request asks to switch a station's output off.
fn is_stop(method: &Method, path: &str) -> bool {
    let station = path
        .strip_prefix("/api/v1/stations/")
        .and_then(|rest| rest.strip_suffix("/stop"));
    method == Method::POST && (path == STOP || station.is_some_and(|name| !name.contains('/')))
}

fn is_reading(method: &Method) -> bool {
    method == Method::GET || method == Method::HEAD
}

fn allows(scope: Scope, method: &Method, path: &str) -> bool {
    scope == Scope::Operate || is_reading(method) || is_open(path)
}

/// What can be had without a token: how to hand one in, and what that page looks like.
fn is_open(path: &str) -> bool {
    path == LOGIN || path == "/api/v1/session" || path.starts_with("/assets/")
}

/// The token in the header, or else in the cookie.
fn presented(headers: &HeaderMap) -> Option<&str> {
    if let Some(value) = headers.get(header::AUTHORIZATION) {
        let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
        return scheme.eq_ignore_ascii_case("bearer").then(|| token.trim());
    }
    let cookies = headers.get_all(header::COOKIE).iter();
    cookies
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find_map(|(name, token)| (name == COOKIE).then_some(token))
}

/// The middleware: lets a request through with its [`Caller`], or answers in its place; and puts on every
/// answer what keeps a browser from being used against us.
pub async fn door(State(access): State<Arc<Access>>, request: Request, next: Next) -> Response {
    // Without a peer there is no socket, and whoever calls is in this process.
    let nobody = Peer(SocketAddr::from(([127, 0, 0, 1], 0)));
    let peer = *request.extensions().get::<Peer>().unwrap_or(&nobody);
    let is_page = is_reading(request.method()) && !request.uri().path().starts_with("/api/");
    let is_asset = request.uri().path().starts_with("/assets/");
    let (mut parts, body) = request.into_parts();
    let admitted = access
        .admit(peer, &parts.method, parts.uri.path(), &parts.headers)
        .await;
    let mut response = match admitted {
        Ok(caller) => {
            parts.extensions.insert(caller);
            let request = Request::from_parts(parts, body);
            match tokio::time::timeout(REQUEST_TIME_MAX, next.run(request)).await {
                Ok(response) => response,
                Err(_) => Problem::too_slow().into_response(),
            }
        }
        Err(problem) if is_page && problem.status == 401 => Redirect::to(LOGIN).into_response(),
        Err(problem) => problem.into_response(),
    };
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // With `no-referrer` a browser would hide the origin of the page's own form, too (Fetch, "append a request
        // `Origin` header").
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in fixed {
        let headers = response.headers_mut();
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !is_asset || !response.status().is_success() {
        let headers = response.headers_mut();
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// Nothing but what this daemon serves itself, nothing inline, nobody's frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; worker-src 'self'; style-src 'self'; \
    img-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Requests left to each client: a bucket that fills at a steady rate.
#[derive(Debug, Default)]
struct Rates(HashMap<IpAddr, (f64, Instant)>);

impl Rates {
    fn take(&mut self, client: IpAddr, now: Instant) -> bool {
        if self.0.len() >= CLIENTS_MAX && !self.0.contains_key(&client) {
            let oldest = self.0.iter().min_by_key(|(_, (_, at))| *at);
            if let Some(oldest) = oldest.map(|(client, _)| *client) {
                self.0.remove(&oldest);
            }
        }
        let (left, at) = self.0.entry(client).or_insert((BURST_MAX, now));
        let filled = now.saturating_duration_since(*at).as_secs_f64() * RATE_PER_S_MAX;
        *left = (*left + filled).min(BURST_MAX);
        *at = now;
        let enough = *left >= 1.0;
        if enough {
            *left -= 1.0;
        }
        enough
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_client_that_sends_too_much_waits_and_the_others_do_not() {
        let mut rates = Rates::default();
        let (busy, calm) = (IpAddr::from([10, 0, 0, 1]), IpAddr::from([10, 0, 0, 2]));
        let begin = Instant::now();
        let taken = (0..1000).filter(|_| rates.take(busy, begin)).count();
        assert_eq!(taken, 200);
        assert!(rates.take(calm, begin));
        let later = begin + Duration::from_secs(1);
        let taken = (0..1000).filter(|_| rates.take(busy, later)).count();
        assert_eq!(taken, 50);
    }

    #[test]
    fn no_more_clients_are_remembered_than_the_limit() {
        let mut rates = Rates::default();
        let begin = Instant::now();
        for n in 0..3000_u32 {
            let client = IpAddr::from(n.to_be_bytes());
            rates.take(client, begin + Duration::from_millis(n.into()));
        }
        assert_eq!(rates.0.len(), CLIENTS_MAX);
        assert!(rates.0.contains_key(&IpAddr::from(2999_u32.to_be_bytes())));
    }

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        let pairs = pairs.iter().map(|(name, value)| {
            (
                HeaderName::from_static(name),
                HeaderValue::from_static(value),
            )
        });
        pairs.collect()
    }

    #[test]
    fn a_page_from_elsewhere_may_link_here_and_do_nothing_else() {
        let host = "127.0.0.1:7373";
        let here = |method: &Method, pairs| from_here(method, &headers(pairs), host).is_ok();
        assert!(here(&Method::POST, &[]));
        assert!(here(&Method::POST, &[("origin", "http://127.0.0.1:7373")]));
        for origin in [
            "http://127.0.0.1:8000",
            "https://example.org",
            "null",
            "http://127.0.0.1:7373.example.org",
        ] {
            let pairs = [(header::ORIGIN, HeaderValue::from_static(origin))];
            let headers: HeaderMap = pairs.into_iter().collect();
            assert!(from_here(&Method::GET, &headers, host).is_err(), "{origin}");
        }
        let link = [
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-mode", "navigate"),
            ("sec-fetch-dest", "document"),
        ];
        assert!(here(&Method::GET, &link));
        assert!(!here(&Method::POST, &link));
        assert!(!here(
            &Method::GET,
            &[
                ("sec-fetch-site", "cross-site"),
                ("sec-fetch-mode", "no-cors")
            ]
        ));
        assert!(!here(&Method::GET, &[("sec-fetch-site", "same-site")]));
        assert!(here(&Method::POST, &[("sec-fetch-site", "same-origin")]));
    }

    #[test]
    fn a_token_is_found_in_the_header_before_the_cookie() {
        let both = headers(&[
            ("authorization", "Bearer a"),
            ("cookie", "x=1; muffle_token=b"),
        ]);
        assert_eq!(presented(&both), Some("a"));
        assert_eq!(
            presented(&headers(&[("cookie", "x=1; muffle_token=b")])),
            Some("b")
        );
        assert_eq!(presented(&headers(&[("authorization", "Basic a")])), None);
        assert_eq!(
            presented(&headers(&[("cookie", "not_muffle_token=b")])),
            None
        );
    }
}
