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

/// The root of a tree of these leaves.
#[must_use]
pub fn root_of(leaves: &[Hash]) -> Hash {
    let mut frontier = Frontier::default();
    for leaf in leaves {
        frontier.push(*leaf);
    }
    frontier.root()
}

/// The proof that a tree of these leaves begins with the tree of the first `old` of them (RFC 6962, section 2.1.2); none where it has
/// fewer.
#[must_use]
pub fn consistency(leaves: &[Hash], old: usize) -> Option<Vec<Hash>> {
    let mut proof = Vec::new();
    if old > 0 && old < leaves.len() {
        sub_proof(leaves, old, true, &mut proof);
    }
    (old <= leaves.len()).then_some(proof)
}

/// `SUBPROOF(m, D[n], b)`: `whole` says whether the tree of the first `old` leaves is one that whoever checks knows already.
fn sub_proof(leaves: &[Hash], old: usize, whole: bool, proof: &mut Vec<Hash>) {
    if old == leaves.len() {
        if !whole {
            proof.push(root_of(leaves));
        }
        return;
    }
    let half = leaves.len().next_power_of_two() / 2;
    let (left, right) = leaves.split_at(half);
    if old <= half {
        sub_proof(left, old, whole, proof);
        proof.push(root_of(right));
    } else {
        sub_proof(right, old - half, false, proof);
        proof.push(root_of(left));
    }
}

/// The head of a tree: how many leaves it has, and its root.
pub type TreeHead = (u64, Hash);

/// Whether a proof shows that the newer tree begins with the older (RFC 9162, section 2.1.4.2). Every tree begins with the empty one.
#[must_use]
pub fn is_consistent(old: TreeHead, new: TreeHead, proof: &[Hash]) -> bool {
    let ((old_size, old_root), (new_size, new_root)) = (old, new);
    if old_size > new_size {
        return false;
    }
    if old_size == new_size {
        return proof.is_empty() && old_root == new_root;
    }
    if old_size == 0 {
        return proof.is_empty() && old_root == Frontier::default().root();
    }
    // A full tree is a node of the newer one: its root begins the proof.
    let known = old_size.is_power_of_two().then_some(old_root);
    let mut path = known.into_iter().chain(proof.iter().copied());
    let Some(first) = path.next() else {
        return false;
    };
    let (mut at, mut last) = (old_size - 1, new_size - 1);
    while at & 1 == 1 {
        (at, last) = (at >> 1, last >> 1);
    }
    let (mut old_made, mut new_made) = (first, first);
    for node in path {
        if last == 0 {
            return false;
        }
        if at & 1 == 1 || at == last {
            old_made = node_hash(&node, &old_made);
            new_made = node_hash(&node, &new_made);
            while at & 1 == 0 && at != 0 {
                (at, last) = (at >> 1, last >> 1);
            }
        } else {
            new_made = node_hash(&new_made, &node);
        }
        (at, last) = (at >> 1, last >> 1);
    }
    last == 0 && old_made == old_root && new_made == new_root
}

#[cfg(test)]
mod tests {
    use super::*;
    use base64::Engine as _;
    use base64::engine::general_purpose::STANDARD as BASE64;
    use proptest::prelude::*;

    /// Consistency proofs published with the Go module github.com/transparency-dev/merkle (`testdata/consistency`, the happy paths of
    /// cases 1 to 4, and the ways in which its cases mangle them): sizes, roots and proof.
    const PUBLISHED: [(u64, u64, &str, &str, &[&str]); 4] = [
        (
            1,
            8,
            "bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=",
            "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=",
            &[
                "lqKW0iTyhcZ77pPDD4owkVfw2qNdxbh+QQt4YwoJz8c=",
                "Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=",
                "a0eq8p7jwq+a+Im8H7klTavTEXfxYjLdaqsDXKOb9uQ=",
            ],
        ),
        (
            6,
            8,
            "duZ9rbzfHhDht03cYIq9L5jfsW+851J3tSMqEn8gh+8=",
            "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=",
            &[
                "DrxdNDf74tsVi58Sah0RjjCBgQMdCpSfje3t68VY72o=",
                "yoVOoSjtBQtBs1/8G4e46yveRh6eO1WW7Oa51ZdaCuA=",
                "037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=",
            ],
        ),
        (
            2,
            5,
            "+sVCA+fMaWzw38tCySodnbr3CtnmIfS9jZhmLwDjwSU=",
            "Tju7H3tHjc/nH7YxYxUZo7yhLJrvyhYSv85ME6hiZNQ=",
            &[
                "Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=",
                "vBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms=",
            ],
        ),
        (
            6,
            7,
            "duZ9rbzfHhDht03cYIq9L5jfsW+851J3tSMqEn8gh+8=",
            "3bib5AOAnjJXUNPSY814kpwpQreUKjS3fhIslZSnTIw=",
            &[
                "DrxdNDf74tsVi58Sah0RjjCBgQMdCpSfje3t68VY72o=",
                "sIaT7C5yFZcTBkHoIR5+7cy0wmQTlj7ubB4u0W/7Gl8=",
                "037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=",
            ],
        ),
    ];

    fn hash(base64: &str) -> Hash {
        BASE64.decode(base64).unwrap().try_into().unwrap()
    }

    #[test]
    fn published_proofs_hold_and_mangled_ones_do_not() {
        for (old, new, old_root, new_root, proof) in PUBLISHED {
            let (old_head, new_head) = ((old, hash(old_root)), (new, hash(new_root)));
            let proof: Vec<Hash> = proof.iter().map(|node| hash(node)).collect();
            assert!(is_consistent(old_head, new_head, &proof), "{old} to {new}");
            let holds = |old, new, proof: &[Hash]| is_consistent(old, new, proof);
            let (old_root, new_root) = (old_head.1, new_head.1);
            assert!(!holds((old - 1, old_root), new_head, &proof));
            assert!(!holds((old + 1, old_root), new_head, &proof));
            assert!(!holds((old ^ 2, old_root), new_head, &proof));
            assert!(!holds(old_head, (new * 2, new_root), &proof));
            assert!(!holds(old_head, (new / 2, new_root), &proof));
            assert!(!holds((old, new_root), (new, old_root), &proof));
            assert!(!holds((old, [0; 32]), new_head, &proof));
            assert!(!holds(old_head, (new, [0; 32]), &proof));
            assert!(!holds(old_head, new_head, &[]));
            assert!(!holds(old_head, new_head, &proof[1..]));
            for extra in [[0; 32], old_root, new_root, proof[0]] {
                assert!(!holds(old_head, new_head, &[&proof[..], &[extra]].concat()));
                assert!(!holds(old_head, new_head, &[&[extra], &proof[..]].concat()));
            }
            for i in 0..proof.len() {
                let mut other = proof.clone();
                other[i][4] ^= 16;
                assert!(!holds(old_head, new_head, &other), "node {i}");
            }
        }
    }

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

        /// A proof that was made is accepted, and shows nothing else.
        #[test]
        fn a_proof_of_what_was_added_holds(leaves in prop::collection::vec(any::<[u8; 8]>(), 1..70), old in 0_usize..70, other in 0_usize..70) {
            let hashes: Vec<Hash> = leaves.iter().map(|leaf| leaf_hash(leaf)).collect();
            let old = old.min(hashes.len());
            let head = |n: usize| (u64::try_from(n).unwrap(), by_definition(&hashes[..n]));
            let proof = consistency(&hashes, old).unwrap();
            prop_assert!(is_consistent(head(old), head(hashes.len()), &proof));
            let mut forged = hashes.clone();
            forged[other % hashes.len()][0] ^= 1;
            if old > 0 {
                prop_assert!(!is_consistent(head(old), (head(hashes.len()).0, by_definition(&forged)), &proof));
            }
            prop_assert_eq!(consistency(&hashes, hashes.len() + 1), None);
        }
    }
}
