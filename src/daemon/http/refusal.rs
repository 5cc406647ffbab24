//! The answers that every handler may give instead of what was asked, for the OpenAPI document.

use utoipa::IntoResponses;

use super::Problem;

macro_rules! refusals {
    ($(#[$doc:meta])* $name:ident { $($variant:ident = $status:literal, $words:literal;)* }) => {
        $(#[$doc])*
        #[derive(IntoResponses)]
        #[expect(dead_code, reason = "read by the derive alone")]
        pub(super) enum $name {
            $(
                #[doc = $words]
                #[response(status = $status, description = $words, content_type = "application/problem+json")]
                $variant(Problem),
            )*
        }
    };
}

refusals! {
    /// Of what only reads.
    Refusal {
        Input = 400, "The request cannot be understood.";
        Unauthorized = 401, "A token is needed.";
        Forbidden = 403, "Not allowed.";
        Unknown = 404, "There is no such thing.";
        TooSlow = 408, "The request took too long.";
        Misdirected = 421, "Not the name of this daemon.";
        TooMany = 429, "Too many requests.";
        Internal = 500, "The daemon failed.";
        Unavailable = 503, "Not at the moment.";
    }
}
refusals! {
    /// Of what changes something, besides.
    ChangeRefusal {
        Conflict = 409, "Not in this state.";
        TooLarge = 413, "The body is too large.";
        MediaType = 415, "The body is not JSON.";
        Content = 422, "The content is not acceptable.";
    }
}
refusals! {
    /// Of what reads and works something out of what it was given.
    Content {
        Content = 422, "The content is not acceptable.";
    }
}
