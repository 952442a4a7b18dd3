//! Routes of commands: one for each, all alike.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use utoipa_axum::routes;
use uuid::Uuid;

use super::extract::{Body, New, Path};
use super::problem::{Answer, Problem};
use super::routes::Routes;
use super::who::Sender;
use crate::access::Standing;
use crate::app::{App, Done};
use crate::audit::{Closing, FindingAnswer, FindingClosing, PeriodClosed, Reopening};
use crate::command::Command;
use crate::counting::{CountDecision, CountEntry, CountHandIn, CountOpening, CountSheet};
use crate::demand::{
    Allotment, BagWaste, CallUp, CalledUp, CounterSale, Freeze, Frozen, Imported, LetIn,
    OrderImport, Packed, Packing, RunEnd, RunEnded, Shipment, StandingImport, SubscriberImport,
    TableTaken, TakeBack,
};
use crate::expect::past::{PastImport, PastTaken, PastWithdrawal, PastWithdrawn};
use crate::expect::told::{NoticeClosing, ProfileChange, ScaleAdjustment, Told};
use crate::floor::{
    BatchPosted, BatchSaid, Correction, CupVerdicts, CuppingTable, CupsJudged, Hold, Pass,
    Reversal, Reversed, Review, Scrap, Settled, Settlement, Start, TableLaid, WeighIn, WeighOut,
    WeighedOutAnswer,
};
use crate::green::{
    Blend, Count, Counted, Drawn, Drying, Posted, Receipt, Return, Sample, Transfer, UsedUp, Waste,
};
use crate::setup::Right;
use crate::sites::{Sending, SiteArrival};
use crate::week::{Release, Released, Withdrawal, Withdrawn};

async fn carry_out<C: Command>(
    app: &Arc<App>,
    Sender(caller): Sender,
    id: Uuid,
    command: C,
) -> Answer<Response> {
    let done = match caller.standing {
        Standing::Proved => app.carry_out(caller.actor, id, command).await,
        Standing::Claimed if command.common().kept => {
            app.carry_out(caller.actor, id, command).await
        }
        Standing::Claimed => return Err(Problem::new("sign-in", "sign in first")),
        Standing::CutOff => app.set_aside(caller.actor, id, command).await,
    };
    let (status, answer) = match done? {
        Done::Booked(answer) => (StatusCode::CREATED, answer),
        Done::Repeated(answer) => (StatusCode::OK, answer),
        Done::Unsettled(answer) => (StatusCode::ACCEPTED, answer),
    };
    Ok((status, Json(answer)).into_response())
}

macro_rules! command_routes {
    ($($module:ident: $command:ident => $answer:ident, $right:ident, $path:tt, $operation:tt;)*) => {
        $(mod $module {
            use super::*;

            #[utoipa::path(put, path = $path, operation_id = $operation, tag = "commands", request_body = $command,
                params(("id" = Uuid, Path), ("If-None-Match" = String, Header)),
                responses((status = 200, body = $answer, description = "as answered before"), (status = 201, body = $answer), (status = 202, description = "kept for a person to settle"),
                    (status = "4XX", body = Problem, content_type = "application/problem+json")))]
            pub async fn put(State(app): State<Arc<App>>, sender: Sender, _new: New, Path(id): Path<Uuid>, Body(command): Body<$command>) -> Answer<Response> {
                carry_out(&app, sender, id, command).await
            }
        })*

        /// The routes of all commands.
        pub fn router() -> Routes {
            Routes::new()$(.command(Right::$right, routes!($module::put)))*
        }
    };
}

command_routes! {
    receipts: Receipt => Posted, Green, "/api/receipts/{id}", "book_receipt";
    weigh_ins: WeighIn => BatchPosted, Floor, "/api/weigh-ins/{id}", "book_weigh_in";
    starts: Start => BatchSaid, Floor, "/api/starts/{id}", "book_start";
    weigh_outs: WeighOut => WeighedOutAnswer, Floor, "/api/weigh-outs/{id}", "book_weigh_out";
    scraps: Scrap => BatchPosted, Floor, "/api/scraps/{id}", "book_scrap";
    holds: Hold => BatchSaid, Floor, "/api/holds/{id}", "book_hold";
    passes: Pass => BatchSaid, Judge, "/api/passes/{id}", "book_pass";
    reviews: Review => BatchSaid, Judge, "/api/reviews/{id}", "book_review";
    corrections: Correction => BatchPosted, Judge, "/api/corrections/{id}", "book_correction";
    releases: Release => Released, Plan, "/api/releases/{id}", "release_plan";
    withdrawals: Withdrawal => Withdrawn, Plan, "/api/withdrawals/{id}", "withdraw_cards";
    packings: Packing => Packed, Floor, "/api/packings/{id}", "book_packing";
    shipments: Shipment => Posted, Floor, "/api/shipments/{id}", "book_shipment";
    allotments: Allotment => Posted, Floor, "/api/allotments/{id}", "book_allotment";
    counter_sales: CounterSale => Posted, Floor, "/api/counter-sales/{id}", "book_counter_sale";
    take_backs: TakeBack => Posted, Floor, "/api/take-backs/{id}", "book_take_back";
    bag_wastes: BagWaste => Posted, Floor, "/api/bag-wastes/{id}", "book_bag_waste";
    run_ends: RunEnd => RunEnded, Floor, "/api/run-ends/{id}", "book_run_end";
    cuppings: CuppingTable => TableLaid, Floor, "/api/cuppings/{id}", "lay_cupping";
    cup_verdicts: CupVerdicts => CupsJudged, Judge, "/api/cup-verdicts/{id}", "book_cup_verdicts";
    freezes: Freeze => Frozen, Plan, "/api/freezes/{id}", "freeze_dispatch";
    let_ins: LetIn => Frozen, Plan, "/api/let-ins/{id}", "let_subscriber_in";
    call_ups: CallUp => CalledUp, Plan, "/api/call-ups/{id}", "call_standing_orders_up";
    subscriber_imports: SubscriberImport => TableTaken, Plan, "/api/subscriber-imports/{id}", "import_subscribers";
    standing_order_imports: StandingImport => TableTaken, Plan, "/api/standing-order-imports/{id}", "import_standing_orders";
    order_imports: OrderImport => Imported, Plan, "/api/order-imports/{id}", "import_orders";
    reversals: Reversal => Reversed, Floor, "/api/reversals/{id}", "book_reversal";
    settlements: Settlement => Settled, Floor, "/api/settlements/{id}", "settle_kept";
    returns: Return => Posted, Green, "/api/returns/{id}", "book_return";
    transfers: Transfer => Posted, Green, "/api/transfers/{id}", "book_transfer";
    sendings: Sending => Posted, Green, "/api/sendings/{id}", "book_sending";
    arrivals: SiteArrival => Posted, Green, "/api/arrivals/{id}", "book_arrival";
    dryings: Drying => Posted, Green, "/api/dryings/{id}", "book_drying";
    counts: Count => Counted, Count, "/api/counts/{id}", "book_count";
    count_openings: CountOpening => CountSheet, Count, "/api/count-openings/{id}", "open_count";
    count_entries: CountEntry => CountSheet, Count, "/api/count-entries/{id}", "enter_count";
    count_hand_ins: CountHandIn => CountSheet, Count, "/api/count-hand-ins/{id}", "hand_in_count";
    count_decisions: CountDecision => CountSheet, Judge, "/api/count-decisions/{id}", "decide_count";
    used_ups: UsedUp => Counted, Count, "/api/used-ups/{id}", "book_used_up";
    blends: Blend => Posted, Green, "/api/blends/{id}", "book_blend";
    samples: Sample => Drawn, Green, "/api/samples/{id}", "book_sample";
    wastes: Waste => Drawn, Green, "/api/wastes/{id}", "book_waste";
    finding_closings: FindingClosing => FindingAnswer, Find, "/api/finding-closings/{id}", "close_finding";
    past_imports: PastImport => PastTaken, SetUp, "/api/past-imports/{id}", "import_past_batches";
    past_withdrawals: PastWithdrawal => PastWithdrawn, SetUp, "/api/past-withdrawals/{id}", "withdraw_past_batches";
    scale_adjustments: ScaleAdjustment => Told, Floor, "/api/scale-adjustments/{id}", "tell_scale_adjusted";
    profile_changes: ProfileChange => Told, Floor, "/api/profile-changes/{id}", "tell_profile_changed";
    notice_closings: NoticeClosing => Told, Judge, "/api/notice-closings/{id}", "close_notice";
    closings: Closing => PeriodClosed, Close, "/api/closings/{id}", "close_period";
    reopenings: Reopening => PeriodClosed, Close, "/api/reopenings/{id}", "reopen_period";
}
