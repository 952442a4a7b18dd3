//! Identifiers: a UUID with the kind of thing it names in its type, so that a lot is never looked up by a batch's id.

use uuid::Uuid;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, utoipa::ToSchema)]
        #[serde(transparent)]
        #[schema(value_type = String, format = Uuid)]
        pub struct $name(pub Uuid);

        /// The id of zeros names nothing: lists begin after it.
        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let id = Uuid::deserialize(deserializer)?;
                if id.is_nil() {
                    return Err(serde::de::Error::custom("an id of zeros names nothing: make a new UUID"));
                }
                Ok(Self(id))
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }

        impl From<Uuid> for $name {
            fn from(id: Uuid) -> Self {
                Self(id)
            }
        }

        impl From<$name> for Uuid {
            fn from(id: $name) -> Self {
                id.0
            }
        }
    )*};
}

ids! {
    /// A roastery, or one of its sites.
    SiteId,
    /// A person who books.
    PersonId,
    /// A tablet, browser or program that people book with.
    DeviceId,
    /// A coffee, of which there are many lots.
    CoffeeId,
    /// A roasting style.
    StyleId,
    /// A scale.
    ScaleId,
    /// A storeroom for green.
    StoreroomId,
    /// A roaster.
    RoasterId,
    /// A delivery of green.
    DeliveryId,
    /// A lot: one delivery, one coffee, one size grade.
    LotId,
    /// A product as it is sold.
    ProductId,
    /// A ship day.
    ShipDayId,
    /// An order.
    OrderId,
    /// A destination of parcels.
    DestinationId,
    /// A subscription as it is offered.
    SubscriptionId,
    /// A subscriber.
    SubscriberId,
    /// A dispatch: one shipment of a subscription.
    DispatchId,
    /// A standing order.
    StandingOrderId,
    /// A request for green as a sample.
    SampleRequestId,
    /// A released plan.
    PlanId,
    /// The card of one planned batch.
    CardId,
    /// A batch.
    BatchId,
    /// A posting.
    PostingId,
    /// A closed period.
    ClosingId,
}
