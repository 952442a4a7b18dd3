//! Who may call a handler, as the type of an extractor. Until people sign in, every request acts as the owner.

use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;

use super::problem::Problem;
use crate::app::App;
use crate::book::Actor;

macro_rules! callers {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy)]
        pub struct $name(pub Actor);

        impl FromRequestParts<Arc<App>> for $name {
            type Rejection = Problem;

            async fn from_request_parts(_parts: &mut Parts, app: &Arc<App>) -> Result<Self, Problem> {
                Ok(Self(Actor { person: app.owner, device: None }))
            }
        }
    )*};
}

callers! {
    /// May do everything.
    Owner,
    /// May plan, take orders, keep green and set up.
    Planner,
    /// May work on the floor.
    Operator,
    /// May read everything.
    Reader,
}
