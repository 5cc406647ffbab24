//! `muffle serve token`.

use clap::{Args, ValueEnum};
use comfy_table::Cell;
use jiff::Timestamp;
use serde_json::json;

use super::{CliError, StoreArg, print, print_json, table};
use crate::store::{Scope, Store};

/// Arguments of `serve token`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: muffle serve token tablet --scope operate\nThe token is printed once; only its hash is kept. A revoked one counts no longer from the next request on."
)]
pub(super) struct TokenArgs {
    /// Whom the token is for.
    #[arg(required_unless_present = "list")]
    name: Option<String>,
    /// What it allows.
    #[arg(long, value_enum, default_value = "read")]
    scope: ScopeArg,
    /// Revoke the token of that name.
    #[arg(long, conflicts_with = "list")]
    revoke: bool,
    /// List the tokens.
    #[arg(long)]
    list: bool,
    /// Print JSON.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    store: StoreArg,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum ScopeArg {
    /// To look.
    Read,
    /// To look, and to change what is done.
    Operate,
}

pub(super) async fn token(args: TokenArgs) -> Result<u8, CliError> {
    let store = Store::open(&args.store.store).await?;
    let now = Timestamp::now();
    match args.name {
        Some(name) if args.revoke => {
            store.revoke_token(&name, now).await?;
            eprintln!("the token of {} counts no longer", table::shown(&name));
        }
        Some(name) if !args.list => {
            let scope = match args.scope {
                ScopeArg::Read => Scope::Read,
                ScopeArg::Operate => Scope::Operate,
            };
            let token = store.make_token(&name, scope, now).await?;
            match args.json {
                true => print_json(&json!({ "name": name, "scope": scope, "token": token }))?,
                false => print(&token)?,
            }
            eprintln!("keep it now: it is not shown again");
        }
        _ => list(&store, args.json).await?,
    }
    Ok(0)
}

async fn list(store: &Store, as_json: bool) -> Result<(), CliError> {
    let tokens = store.tokens().await?;
    if as_json {
        return print_json(&json!({ "tokens": tokens }));
    }
    let mut rows = table::table(&["name", "scope", "made", "revoked"]);
    for token in &tokens {
        let time = |at: Timestamp| at.strftime("%Y-%m-%d %H:%M:%SZ").to_string();
        rows.add_row(vec![
            Cell::new(table::shown(&token.name)),
            Cell::new(token.scope.as_str()),
            Cell::new(time(token.made)),
            Cell::new(token.revoked.map_or_else(|| "–".to_owned(), time)),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))
}
