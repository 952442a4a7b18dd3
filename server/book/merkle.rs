//! The Merkle tree over the log (RFC 6962, section 2.1), grown a leaf at a time from its frontier.

use sha2::{Digest, Sha256};

/// A SHA-256 hash.
pub type Hash = [u8; 32];

/// The hash of a leaf: `SHA-256(0x00 || leaf)`.
#[must_use]
pub fn leaf_hash(leaf: &[u8]) -> Hash {
    Sha256::new()
        .chain_update([0])
        .chain_update(leaf)
        .finalize()
        .into()
}

/// The hash of an inner node: `SHA-256(0x01 || left || right)`.
fn node_hash(left: &Hash, right: &Hash) -> Hash {
    Sha256::new()
        .chain_update([1])
        .chain_update(left)
        .chain_update(right)
        .finalize()
        .into()
}

/// The hashes of the full subtrees that a tree of `size` leaves consists of, the largest first: all that is needed to add a leaf
/// or to name the root. There is one for each binary one in `size`, so at most 64.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Frontier {
    size: u64,
    subtrees: Vec<Hash>,
}

impl Frontier {
    /// The frontier of a tree of `size` leaves from its stored bytes; none if they do not fit the size.
    #[must_use]
    pub fn from_bytes(size: u64, bytes: &[u8]) -> Option<Self> {
        let subtrees: Vec<Hash> = bytes
            .chunks(32)
            .map(|chunk| chunk.try_into().ok())
            .collect::<Option<_>>()?;
        (u32::try_from(subtrees.len()) == Ok(size.count_ones())).then_some(Self { size, subtrees })
    }

    /// The bytes to store.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        self.subtrees.concat()
    }

    /// How many leaves the tree has.
    #[must_use]
    pub const fn size(&self) -> u64 {
        self.size
    }

    /// Adds a leaf by its hash.
    pub fn push(&mut self, leaf: Hash) {
        let mut right = leaf;
        // Each trailing one of the size is a full subtree as large as the one that has just been completed.
        for _ in 0..self.size.trailing_ones() {
            if let Some(left) = self.subtrees.pop() {
                right = node_hash(&left, &right);
            }
        }
        self.subtrees.push(right);
        self.size += 1;
    }

    /// The root hash; of no leaves, the hash of nothing.
    #[must_use]
    pub fn root(&self) -> Hash {
        let mut subtrees = self.subtrees.iter().rev();
        subtrees.next().map_or_else(
            || Sha256::digest([]).into(),
            |last| subtrees.fold(*last, |right, left| node_hash(left, &right)),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The test tree of the Certificate Transparency reference implementation (its leaves and roots are quoted in many
    /// implementations of RFC 6962; written here from memory, and consistent with the definition below).
    #[test]
    fn roots_of_the_reference_tree() {
        let leaves: [&[u8]; 8] = [
            b"",
            &[0x00],
            &[0x10],
            &[0x20, 0x21],
            &[0x30, 0x31],
            &[0x40, 0x41, 0x42, 0x43],
            &[0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57],
            &[
                0x60, 0x61, 0x62, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x6b, 0x6c, 0x6d,
                0x6e, 0x6f,
            ],
        ];
        let roots = [
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
            "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
            "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
            "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
            "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
            "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
        ];
        let mut frontier = Frontier::default();
        for (i, expected) in roots.iter().enumerate() {
            assert_eq!(hex::encode(frontier.root()), *expected, "{i} leaves");
            if let Some(leaf) = leaves.get(i) {
                frontier.push(leaf_hash(leaf));
            }
        }
    }

    /// `MTH(D[n])` as RFC 6962, section 2.1, defines it: split at the largest power of two below n.
    fn by_definition(leaves: &[Hash]) -> Hash {
        match leaves {
            [] => Sha256::digest([]).into(),
            [one] => *one,
            many => {
                let k = many.len().next_power_of_two() / 2;
                node_hash(&by_definition(&many[..k]), &by_definition(&many[k..]))
            }
        }
    }

    proptest! {
        #[test]
        fn the_frontier_gives_the_defined_root(leaves in prop::collection::vec(any::<[u8; 8]>(), 0..70)) {
            let hashes: Vec<Hash> = leaves.iter().map(|leaf| leaf_hash(leaf)).collect();
            let mut frontier = Frontier::default();
            for hash in &hashes {
                frontier.push(*hash);
                frontier = Frontier::from_bytes(frontier.size(), &frontier.bytes()).unwrap();
            }
            prop_assert_eq!(frontier.root(), by_definition(&hashes));
        }
    }
}
