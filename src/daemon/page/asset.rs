//! Files of the page, embedded, each with a tag made of its content in its address.

use std::sync::LazyLock;

use axum::http::header;
use axum::response::{IntoResponse, Response};

use crate::daemon::http::{Path, Problem};
use crate::report::{FONT_REGULAR, FONT_SEMIBOLD};
use crate::store::sha256_hex;

/// Name, media type, content.
type Asset = (&'static str, &'static str, &'static [u8]);

const ICON: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" rx="7" fill="#0b4a8f"/><path d="M7 25V9l9 8 9-8v16" fill="none" stroke="#fff" stroke-width="3.5" stroke-linecap="round" stroke-linejoin="round"/></svg>"##;

const ASSETS: [Asset; 6] = [
    (
        "page.css",
        "text/css; charset=utf-8",
        include_bytes!("page.css"),
    ),
    (
        "page.js",
        "text/javascript; charset=utf-8",
        include_bytes!("page.js"),
    ),
    (
        "stream.js",
        "text/javascript; charset=utf-8",
        include_bytes!("stream.js"),
    ),
    ("icon.svg", "image/svg+xml", ICON.as_bytes()),
    ("inter-regular.otf", "font/otf", FONT_REGULAR),
    ("inter-semibold.otf", "font/otf", FONT_SEMIBOLD),
];

static TAG: LazyLock<String> = LazyLock::new(|| {
    let all: Vec<u8> = ASSETS
        .iter()
        .flat_map(|(_, _, content)| *content)
        .copied()
        .collect();
    sha256_hex(&all).chars().take(12).collect()
});

/// The address of an embedded file.
pub(super) fn path(name: &str) -> String {
    format!("/assets/{name}?v={}", *TAG)
}

pub(super) async fn get(Path(name): Path<String>) -> Result<Response, Problem> {
    let asset = ASSETS.iter().find(|(known, ..)| *known == name);
    let Some((_, kind, content)) = asset else {
        return Err(Problem::unknown("file", "the page has no such file"));
    };
    let headers = [
        (header::CONTENT_TYPE, *kind),
        (header::CACHE_CONTROL, "public, max-age=86400"),
    ];
    Ok((headers, *content).into_response())
}
