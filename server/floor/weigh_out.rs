//! Roasted coffee is weighed out: batch -> roasted, the rest batch -> air; the verdict is part of the answer.

use async_trait::async_trait;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use super::batch::{Batch, Judgement, State, Step, Verdict, WeighedOut};
use super::{BatchView, Taken, fact, movement, view};
use crate::app::App;
use crate::book::leaf::{Kind, Movement};
use crate::book::place::Place;
use crate::book::{Book, Draft};
use crate::command::{Command, Common, command};
use crate::day::Instant;
use crate::expect::{self, Asked};
use crate::green::PostingView;
use crate::ids::BatchId;
use crate::mass::Mass;
use crate::refusal::{Outcome, Refusal};
use crate::setup::{Weighed, Weight};
use crate::store::Read;

command! {
    /// Roasted coffee was weighed: one batch, or several of a run together.
    WeighOut {
        /// The batches that the reading covers.
        #[schema(min_items = 1, max_items = 20)]
        batches: Vec<BatchId>,
        /// How much.
        weight: Weight,
        /// What the tablet judged by itself, if it could.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        shown: Option<Judgement>,
    }
}

/// The answer to a weigh-out.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct WeighedOutAnswer {
    /// The posting.
    pub posting: PostingView,
    /// The batches as they are now.
    pub batches: Vec<BatchView>,
    /// How the loss stands to what was expected.
    pub verdict: Verdict,
}

#[async_trait]
impl Command for WeighOut {
    const NAME: &'static str = "weigh-outs";
    type Answer = WeighedOutAnswer;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<WeighedOutAnswer> {
        let site = book.site();
        let weighed = self.weight.positive(book.tx(), site, "/weight").await?;
        let mut run = take_run(book, &self.batches).await?;
        let asked = asked(
            &run.iter().map(|taken| &taken.batch).collect::<Vec<_>>(),
            &weighed,
        )?;
        let mut verdict = app.expect.judge(book.tx(), site, &asked).await?;
        if self.shown.is_some_and(|shown| shown != verdict.judgement)
            && verdict.judgement == Judgement::Ok
        {
            "The tablet judged otherwise, so a person decides.".clone_into(&mut verdict.sentence);
        }
        let at = run
            .iter()
            .map(|taken| taken.at(book, self.happened_at))
            .max()
            .unwrap_or(self.happened_at);
        let steps = Self::steps(book, id, at, &run, &weighed, &verdict);
        let movements = self.movements(book, &run, &steps).await?;
        let draft = self.draft(id, at, &weighed, &run, &steps, movements, &verdict);
        let posting = book.post(draft).await?;
        let mut batches = Vec::new();
        for (taken, step) in run.iter_mut().zip(steps) {
            taken.step(book, Step::WeighedOut(step)).await?;
            self.hold_if_judged_otherwise(book, app, taken, &verdict)
                .await?;
            batches.push(view::one(book.tx(), site, &taken.batch).await?);
        }
        Ok(WeighedOutAnswer {
            posting: (&posting).into(),
            batches,
            verdict,
        })
    }
}

/// Takes up the batches of a reading, which must all be ready for it and alike.
async fn take_run(book: &mut Book, ids: &[BatchId]) -> Outcome<Vec<Taken>> {
    let mut ids = ids.to_vec();
    ids.sort_unstable();
    ids.dedup();
    if ids.is_empty() || ids.len() > 20 {
        return Err(Refusal::field("/batches", "name one to twenty batches"));
    }
    let mut run = Vec::new();
    for id in ids {
        run.push(Taken::up(book, id).await?);
    }
    check_run(&run.iter().map(|taken| &taken.batch).collect::<Vec<_>>())?;
    Ok(run)
}

fn check_run(run: &[&Batch]) -> Outcome<()> {
    for batch in run {
        match batch.state() {
            State::WeighedIn | State::InDrum => {}
            State::WeighedOut => {
                return Err(Refusal::conflict(
                    "this batch has been weighed out: undo that first, or correct its weight",
                ));
            }
            State::Scrapped | State::Undone => {
                return Err(Refusal::conflict(
                    "this batch is done: nothing of it is left to weigh",
                ));
            }
        }
    }
    let kind = |batch: &Batch| {
        batch
            .weighed_in()
            .map(|first| (batch.lot(), first.style, first.roaster))
    };
    if run.iter().any(|batch| kind(batch) != kind(run[0])) {
        return Err(Refusal::field(
            "/batches",
            "batches weighed together are of one lot, style and roaster",
        ));
    }
    Ok(())
}

/// What the learner is asked about a reading.
fn asked(run: &[&Batch], weighed: &Weighed) -> Outcome<Asked> {
    let first = run
        .first()
        .and_then(|batch| batch.weighed_in())
        .ok_or_else(|| Refusal::conflict("nothing was weighed in"))?;
    let mut came_out = weighed.mass;
    let mut charges = Vec::new();
    for batch in run {
        charges.push(batch.charged());
        came_out = came_out.plus(batch.sampled_before())?;
    }
    Ok(Asked {
        lot: run[0].lot().unwrap_or(first.lot),
        style: first.style,
        roaster: first.roaster,
        charges,
        green_division: first.division_g,
        roasted_division: weighed.division,
        came_out,
    })
}

impl WeighOut {
    /// The step of each batch: its share of the reading by its charge.
    fn steps(
        book: &Book,
        id: Uuid,
        at: Instant,
        run: &[Taken],
        weighed: &Weighed,
        verdict: &Verdict,
    ) -> Vec<WeighedOut> {
        let charges: Vec<Mass> = run.iter().map(|taken| taken.batch.charged()).collect();
        let covers: Vec<BatchId> = run.iter().map(|taken| taken.batch.id).collect();
        let zone = book.zone();
        let step = |mass_g| WeighedOut {
            by: id.into(),
            mass_g,
            covers: covers.clone(),
            at,
            day: zone.day(at),
            minute: zone.local_minute(at),
            division_g: weighed.division,
            reckoned: weighed.is_reckoned(),
            verdict: verdict.clone(),
        };
        weighed.mass.split(&charges).into_iter().map(step).collect()
    }

    /// What moves: the roasted, and the rest to the air; more out than in comes back from the air first.
    async fn movements(
        &self,
        book: &mut Book,
        run: &[Taken],
        steps: &[WeighedOut],
    ) -> Outcome<Vec<Movement>> {
        let site = book.site();
        let mut movements = Vec::new();
        for (taken, step) in run.iter().zip(steps) {
            let batch = taken.batch.id;
            let Some(lot) = taken.batch.lot() else {
                continue;
            };
            let there = book.tx().balance(site, lot, Place::Batch(batch)).await?;
            let rest = there.minus(step.mass_g)?;
            movements.extend(movement(
                lot,
                Place::Air,
                Place::Batch(batch),
                Mass::ZERO.minus(rest)?,
            ));
            movements.extend(movement(
                lot,
                Place::Batch(batch),
                Place::Roasted(batch),
                step.mass_g,
            ));
            movements.extend(movement(lot, Place::Batch(batch), Place::Air, rest));
        }
        Ok(movements)
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "a posting is made of all of these"
    )]
    fn draft(
        &self,
        id: Uuid,
        at: Instant,
        weighed: &Weighed,
        run: &[Taken],
        steps: &[WeighedOut],
        movements: Vec<Movement>,
        verdict: &Verdict,
    ) -> Draft {
        let steps: Vec<Value> = run
            .iter()
            .zip(steps)
            .map(|(taken, step)| fact(taken.batch.id, &Step::WeighedOut(step.clone())))
            .collect();
        let mut facts = json!({ "steps": steps, "verdict": verdict });
        if let Some(shown) = self.shown {
            facts["shown"] = json!(shown);
        }
        let roasted = movements
            .iter()
            .position(|m| matches!(m.to, Place::Roasted(_)))
            .unwrap_or(0);
        Draft {
            id: id.into(),
            kind: Kind::WeighOut,
            happened_at: at,
            reason: self.common().why(),
            card: run
                .first()
                .and_then(|taken| taken.batch.weighed_in())
                .and_then(|first| first.card),
            reverses: None,
            facts,
            weighings: vec![weighed.weighing(roasted)],
            movements,
        }
    }

    /// A batch that the tablet called odd and the server does not is for a person to decide.
    async fn hold_if_judged_otherwise(
        &self,
        book: &mut Book,
        app: &App,
        taken: &mut Taken,
        verdict: &Verdict,
    ) -> Outcome<()> {
        let otherwise = self.shown.is_some_and(|shown| shown != Judgement::Ok)
            && verdict.judgement == Judgement::Ok;
        if !otherwise {
            return Ok(());
        }
        super::say::hold(
            book,
            app.clock.new_id(),
            taken,
            self.happened_at,
            verdict.sentence.clone(),
        )
        .await
    }
}

/// What a weigh-out would be judged, and what would explain it: nothing is booked.
#[derive(Debug, Clone, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Preview {
    /// The batches that the reading covers.
    #[schema(min_items = 1, max_items = 20)]
    pub batches: Vec<BatchId>,
    /// How much.
    pub weight: Weight,
}

/// The answer to a preview.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Previewed {
    /// How the loss would stand.
    pub verdict: Verdict,
    /// What would explain an odd weight, the likeliest first; none for an ordinary one.
    pub explanations: Vec<expect::Explanation>,
}

/// Judges a weight before it is saved.
///
/// # Errors
/// [`Refusal`] as a weigh-out would be refused.
pub async fn preview(app: &App, tx: &mut dyn Read, asked_for: &Preview) -> Outcome<Previewed> {
    let weighed = asked_for.weight.positive(tx, app.site, "/weight").await?;
    let mut run = Vec::new();
    for id in &asked_for.batches {
        let row = tx
            .batch(app.site, *id)
            .await?
            .ok_or(Refusal::NotFound("batch", id.0))?;
        run.push(Batch::of_row(&row)?);
    }
    let run: Vec<&Batch> = run.iter().collect();
    if run.is_empty() || run.len() > 20 {
        return Err(Refusal::field("/batches", "name one to twenty batches"));
    }
    check_run(&run)?;
    let asked = asked(&run, &weighed)?;
    let verdict = app.expect.judge(tx, app.site, &asked).await?;
    let odd = verdict.judgement != Judgement::Ok;
    let explanations = if odd {
        app.expect.explain(tx, app.site, &asked).await?
    } else {
        Vec::new()
    };
    Ok(Previewed {
        verdict,
        explanations,
    })
}
