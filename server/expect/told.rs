//! What people tell the learner besides batches: scales adjusted, profiles changed, drift notices dealt with. Each is a journal entry.

use async_trait::async_trait;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::app::App;
use crate::book::leaf::{Act, Leaf};
use crate::book::{Book, Remark, damaged};
use crate::command::{Command, Common, command};
use crate::day::{Instant, Zone};
use crate::fraction::Fraction;
use crate::ids::{LotId, RoasterId, SiteId};
use crate::loss::{Channel, Fact, Happening};
use crate::refusal::{Outcome, Refusal};
use crate::setup::{self, Lot, Roaster};
use crate::store::{Read, StoreError};

command! {
    /// A scale of a roaster was adjusted: from then on its share in the loss is learned anew.
    ScaleAdjustment {
        /// The roaster whose green or roasted coffee the scale weighs.
        roaster: RoasterId,
    }
}

command! {
    /// A roaster's profile, burner or airflow was changed: from then on its share in the loss is learned anew.
    ProfileChange {
        /// The roaster.
        roaster: RoasterId,
    }
}

command! {
    /// A person dealt with a drift notice.
    NoticeClosing {
        /// The lot that it was about.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<LotId>,
        /// The roaster that it was about.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        roaster: Option<RoasterId>,
        /// Whether it has truly changed: then it is learned anew from the batch at which the change began.
        changed: bool,
    }
}

/// What was told, as the book has it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Told {
    /// The journal entry.
    pub entry: Uuid,
    /// When it happened.
    pub at: Instant,
}

#[async_trait]
impl Command for ScaleAdjustment {
    const NAME: &'static str = "scale-adjustments";
    type Answer = Told;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Told> {
        of_roaster(book, id, self.common(), self.roaster, Act::ScaleAdjusted).await
    }
}

#[async_trait]
impl Command for ProfileChange {
    const NAME: &'static str = "profile-changes";
    type Answer = Told;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, _app: &App, id: Uuid) -> Outcome<Told> {
        of_roaster(book, id, self.common(), self.roaster, Act::ProfileChanged).await
    }
}

#[async_trait]
impl Command for NoticeClosing {
    const NAME: &'static str = "notice-closings";
    type Answer = Told;

    fn common(&self) -> Common<'_> {
        self.said()
    }

    async fn perform(&self, book: &mut Book, app: &App, id: Uuid) -> Outcome<Told> {
        let site = book.site();
        let reason = self.common().why();
        if reason.is_none() {
            return Err(Refusal::field(
                "/reason",
                "say what was found, in a few words",
            ));
        }
        let (kind, subject, channel) = match (self.lot, self.roaster) {
            (Some(lot), None) => {
                setup::named::<Lot>(book.tx(), site, "/lot", lot).await?;
                ("lot", lot.0, Channel::Lot(lot.to_string()))
            }
            (None, Some(roaster)) => {
                setup::named::<Roaster>(book.tx(), site, "/roaster", roaster).await?;
                ("roaster", roaster.0, Channel::Roaster(roaster.to_string()))
            }
            _ => {
                return Err(Refusal::field(
                    "",
                    "name either the lot or the roaster that the notice is about",
                ));
            }
        };
        // The learner follows the book: the notice may have subsided meanwhile. What a person found is booked all the same.
        let learner = app.expect.learner();
        let notice = learner
            .notices()
            .iter()
            .rfind(|notice| notice.channel == channel && notice.waits());
        let mut after = json!({"changed": self.changed});
        if let Some(notice) = notice {
            after["since"] = json!(notice.since);
            after["raised"] = json!(notice.raised);
            after["change"] = json!(Fraction::nearest(notice.loss_change));
        }
        // It is dealt with when it is said: a notice cannot be closed before the batch that raised it.
        let at = book.now();
        let remark = Remark {
            id,
            kind,
            subject,
            act: Act::NoticeClosed,
            happened_at: at,
            reason,
            before: Value::Null,
            after,
        };
        book.remark(remark).await?;
        Ok(Told { entry: id, at })
    }
}

async fn of_roaster(
    book: &mut Book,
    id: Uuid,
    common: Common<'_>,
    roaster: RoasterId,
    act: Act,
) -> Outcome<Told> {
    let site = book.site();
    setup::named::<Roaster>(book.tx(), site, "/roaster", roaster).await?;
    let at = common.happened_at.min(book.now());
    book.remark(Remark {
        id,
        kind: "roaster",
        subject: roaster.0,
        act,
        happened_at: at,
        reason: common.why(),
        before: Value::Null,
        after: Value::Null,
    })
    .await?;
    Ok(Told { entry: id, at })
}

/// The facts that the learner learns from them.
pub(super) async fn facts(
    tx: &mut dyn Read,
    site: SiteId,
    zone: Zone,
) -> Result<Vec<Fact>, StoreError> {
    let acts = [Act::ScaleAdjusted, Act::ProfileChanged, Act::NoticeClosed];
    let mut facts = Vec::new();
    for leaf in tx.entries(site, &acts).await? {
        let Leaf::Entry(entry) = serde_json::from_str(&leaf).map_err(damaged)? else {
            continue;
        };
        let subject = entry.subject.to_string();
        let what = match (entry.act, entry.kind.as_str()) {
            (Act::ScaleAdjusted, _) => Happening::ScaleAdjusted { roaster: subject },
            (Act::ProfileChanged, _) => Happening::RoasterChanged { roaster: subject },
            (_, kind) => Happening::NoticeClosed {
                channel: if kind == "lot" {
                    Channel::Lot(subject)
                } else {
                    Channel::Roaster(subject)
                },
                changed: entry.after["changed"] == json!(true),
            },
        };
        let at = Instant::from_ms(entry.happened_at);
        facts.push(Fact::Event {
            id: entry.id.to_string(),
            minute: zone.local_minute(at),
            millisecond: at.millisecond(),
            what,
        });
    }
    Ok(facts)
}
