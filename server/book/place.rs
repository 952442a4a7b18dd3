//! Places: where every milligram of a lot is at any moment.

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use uuid::Uuid;

use crate::ids::{BatchId, DeliveryId, LotId, PostingId, StoreroomId};

/// A place with its key. An account is a lot at one of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// The outside: receipts come from it, returns go to it.
    Supplier(DeliveryId),
    /// Green in a storeroom.
    Store(StoreroomId),
    /// Green weighed in: in a bin, the hopper, the drum or the cooling tray.
    Batch(BatchId),
    /// Roasted coffee of a batch, not yet bagged.
    Roasted(BatchId),
    /// In bags, by the packing that filled them.
    Packed(PostingId),
    /// Gone to customers, by the shipment.
    Shipped(PostingId),
    /// Drawn for sample roasts and cupping.
    Sample,
    /// Spilled, scrapped, swept up.
    Waste,
    /// Lost to the air in roasting, or by drying in the store.
    Air,
    /// Between lots, by the blend lot that was made up.
    Blended(LotId),
    /// Given to another site, or taken from one, by the posting that sent it: what one site has here and the other has against it sum to what
    /// is on the way.
    Transit(PostingId),
    /// The other side of a count difference.
    Variance,
}

impl Place {
    /// The place's word, as leaves and tables have it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Supplier(_) => "supplier",
            Self::Store(_) => "store",
            Self::Batch(_) => "batch",
            Self::Roasted(_) => "roasted",
            Self::Packed(_) => "packed",
            Self::Shipped(_) => "shipped",
            Self::Sample => "sample",
            Self::Waste => "waste",
            Self::Air => "air",
            Self::Blended(_) => "blended",
            Self::Transit(_) => "transit",
            Self::Variance => "variance",
        }
    }

    /// The place's key; nil where the place has none.
    #[must_use]
    pub const fn key(self) -> Uuid {
        match self {
            Self::Supplier(DeliveryId(id))
            | Self::Store(StoreroomId(id))
            | Self::Batch(BatchId(id))
            | Self::Roasted(BatchId(id))
            | Self::Packed(PostingId(id))
            | Self::Shipped(PostingId(id))
            | Self::Blended(LotId(id))
            | Self::Transit(PostingId(id)) => id,
            Self::Sample | Self::Waste | Self::Air | Self::Variance => Uuid::nil(),
        }
    }

    /// The key by which sums tell places of a kind apart: that of a storeroom or of a blend lot; nil elsewhere.
    #[must_use]
    pub const fn flow_key(self) -> Uuid {
        match self {
            Self::Store(StoreroomId(key)) | Self::Blended(LotId(key)) => key,
            _ => Uuid::nil(),
        }
    }

    /// The place of a word and key; none if there is no such word, or the key does not fit it.
    #[must_use]
    pub fn new(word: &str, key: Uuid) -> Option<Self> {
        let place = match word {
            "supplier" => Self::Supplier(key.into()),
            "store" => Self::Store(key.into()),
            "batch" => Self::Batch(key.into()),
            "roasted" => Self::Roasted(key.into()),
            "packed" => Self::Packed(key.into()),
            "shipped" => Self::Shipped(key.into()),
            "sample" => Self::Sample,
            "waste" => Self::Waste,
            "air" => Self::Air,
            "blended" => Self::Blended(key.into()),
            "transit" => Self::Transit(key.into()),
            "variance" => Self::Variance,
            _ => return None,
        };
        (place.key() == key && (place.is_single() == key.is_nil())).then_some(place)
    }

    /// Whether the place has no key.
    const fn is_single(self) -> bool {
        matches!(
            self,
            Self::Sample | Self::Waste | Self::Air | Self::Variance
        )
    }

    /// Whether an account here may fall below nothing: only where the outside, the air, a blend, another site or a count stands against the lot.
    #[must_use]
    pub const fn may_owe(self) -> bool {
        matches!(
            self,
            Self::Supplier(_) | Self::Air | Self::Blended(_) | Self::Transit(_) | Self::Variance
        )
    }

    /// The word that people read on statements.
    #[must_use]
    pub fn label(self) -> &'static str {
        label_of(self.word())
    }
}

/// What people read on statements for a place's word; the word itself where there is nothing plainer.
#[must_use]
pub fn label_of(word: &str) -> &str {
    match word {
        "store" => "green in store",
        "batch" => "weighed in",
        "packed" => "in bags",
        "sample" => "samples",
        "air" => "roasting and drying loss",
        "blended" => "into a blend",
        "transit" => "to and from other sites",
        "variance" => "count difference",
        other => other,
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    place: std::borrow::Cow<'static, str>,
    #[serde(default, skip_serializing_if = "Uuid::is_nil")]
    key: Uuid,
}

impl Serialize for Place {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        Written {
            place: self.word().into(),
            key: self.key(),
        }
        .serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Place {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let written = Written::deserialize(deserializer)?;
        Self::new(&written.place, written.key)
            .ok_or_else(|| D::Error::custom("no such place, or a key that does not fit it"))
    }
}
