//! Routes of commands: one for each, all alike.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, New, Path};
use super::problem::{Answer, Problem};
use super::who::{Operator, Owner, Planner};
use crate::app::{App, Done};
use crate::audit::{Closing, PeriodClosed, Reopening};
use crate::book::Actor;
use crate::command::Command;
use crate::counting::{CountDecision, CountEntry, CountHandIn, CountOpening, CountSheet};
use crate::demand::{Imported, OrderImport, Packed, Packing, Shipment};
use crate::floor::{
    BatchPosted, BatchSaid, Correction, Hold, Pass, Reversal, Reversed, Review, Scrap, Start,
    WeighIn, WeighOut, WeighedOutAnswer,
};
use crate::green::{
    Blend, Count, Counted, Drawn, Drying, Posted, Receipt, Return, Sample, Transfer, UsedUp, Waste,
};

async fn carry_out<C: Command>(
    app: &Arc<App>,
    actor: Actor,
    id: Uuid,
    command: C,
) -> Answer<Response> {
    let (status, answer) = match app.carry_out(actor, id, command).await? {
        Done::Booked(answer) => (StatusCode::CREATED, answer),
        Done::Repeated(answer) => (StatusCode::OK, answer),
        Done::Unsettled(answer) => (StatusCode::ACCEPTED, answer),
    };
    Ok((status, Json(answer)).into_response())
}

use crate::week::{Release, Released, Withdrawal, Withdrawn};

macro_rules! command_routes {
    ($($module:ident: $command:ident => $answer:ident, $who:ident, $path:tt, $operation:tt;)*) => {
        $(mod $module {
            use super::*;

            #[utoipa::path(put, path = $path, operation_id = $operation, tag = "commands", request_body = $command,
                params(("id" = Uuid, Path), ("If-None-Match" = String, Header)),
                responses((status = 200, body = $answer, description = "as answered before"), (status = 201, body = $answer), (status = 202, description = "kept for a person to settle"),
                    (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn put(State(app): State<Arc<App>>, who: $who, _new: New, Path(id): Path<Uuid>, Body(command): Body<$command>) -> Answer<Response> {
                carry_out(&app, who.0, id, command).await
            }
        })*

        /// The routes of all commands.
        pub fn router() -> OpenApiRouter<Arc<App>> {
            OpenApiRouter::new()$(.routes(routes!($module::put)))*
        }
    };
}

command_routes! {
    receipts: Receipt => Posted, Operator, "/api/receipts/{id}", "book_receipt";
    weigh_ins: WeighIn => BatchPosted, Operator, "/api/weigh-ins/{id}", "book_weigh_in";
    starts: Start => BatchSaid, Operator, "/api/starts/{id}", "book_start";
    weigh_outs: WeighOut => WeighedOutAnswer, Operator, "/api/weigh-outs/{id}", "book_weigh_out";
    scraps: Scrap => BatchPosted, Operator, "/api/scraps/{id}", "book_scrap";
    holds: Hold => BatchSaid, Operator, "/api/holds/{id}", "book_hold";
    passes: Pass => BatchSaid, Planner, "/api/passes/{id}", "book_pass";
    reviews: Review => BatchSaid, Planner, "/api/reviews/{id}", "book_review";
    corrections: Correction => BatchPosted, Planner, "/api/corrections/{id}", "book_correction";
    releases: Release => Released, Planner, "/api/releases/{id}", "release_plan";
    withdrawals: Withdrawal => Withdrawn, Planner, "/api/withdrawals/{id}", "withdraw_cards";
    packings: Packing => Packed, Operator, "/api/packings/{id}", "book_packing";
    shipments: Shipment => Posted, Operator, "/api/shipments/{id}", "book_shipment";
    order_imports: OrderImport => Imported, Planner, "/api/order-imports/{id}", "import_orders";
    reversals: Reversal => Reversed, Operator, "/api/reversals/{id}", "book_reversal";
    returns: Return => Posted, Operator, "/api/returns/{id}", "book_return";
    transfers: Transfer => Posted, Operator, "/api/transfers/{id}", "book_transfer";
    dryings: Drying => Posted, Operator, "/api/dryings/{id}", "book_drying";
    counts: Count => Counted, Operator, "/api/counts/{id}", "book_count";
    count_openings: CountOpening => CountSheet, Operator, "/api/count-openings/{id}", "open_count";
    count_entries: CountEntry => CountSheet, Operator, "/api/count-entries/{id}", "enter_count";
    count_hand_ins: CountHandIn => CountSheet, Operator, "/api/count-hand-ins/{id}", "hand_in_count";
    count_decisions: CountDecision => CountSheet, Planner, "/api/count-decisions/{id}", "decide_count";
    used_ups: UsedUp => Counted, Operator, "/api/used-ups/{id}", "book_used_up";
    blends: Blend => Posted, Operator, "/api/blends/{id}", "book_blend";
    samples: Sample => Drawn, Operator, "/api/samples/{id}", "book_sample";
    wastes: Waste => Drawn, Operator, "/api/wastes/{id}", "book_waste";
    closings: Closing => PeriodClosed, Owner, "/api/closings/{id}", "close_period";
    reopenings: Reopening => PeriodClosed, Owner, "/api/reopenings/{id}", "reopen_period";
}
