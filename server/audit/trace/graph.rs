//! Places as nodes, what went between them as edges, and what can be reached from where. Pure.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::book::place::Place;
use crate::day::Day;
use crate::ids::LotId;
use crate::mass::Mass;
use crate::store::Way;

/// A lot at a place. Green that goes into a blend meets at the blend, whichever lot it came from.
pub(super) type Node = (LotId, Place);

/// What went from one node to another, less what came back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Edge {
    /// Where it was.
    pub from: Node,
    /// Where it went.
    pub to: Node,
    /// Whose coffee.
    pub lot: LotId,
    /// How much.
    pub mass: Mass,
    /// The first day on which any went.
    pub day: Day,
}

/// Which way is followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Towards {
    /// Where it came from.
    Source,
    /// Where it went.
    End,
}

/// All that went from place to place of some lots.
#[derive(Debug, Default)]
pub(super) struct Graph {
    edges: Vec<Edge>,
    leaving: HashMap<Node, Vec<usize>>,
    coming: HashMap<Node, Vec<usize>>,
}

/// The node of a lot's place.
pub(super) fn node(lot: LotId, place: Place) -> Node {
    if let Place::Blended(blend) = place {
        (blend, place)
    } else {
        (lot, place)
    }
}

/// Coffee does not go on from here, and what comes from here came from nowhere else: all batches of a lot lose to the same air.
fn is_end(place: Place) -> bool {
    matches!(
        place,
        Place::Supplier(_) | Place::Sample | Place::Waste | Place::Air | Place::Variance
    )
}

impl Graph {
    /// The graph of what went: where coffee went both ways, the difference.
    pub fn new(ways: &[Way]) -> Self {
        let mut sums: BTreeMap<(LotId, Place, Place), (Mass, Day)> = BTreeMap::new();
        for way in ways {
            sums.insert((way.lot, way.from, way.to), (way.mass, way.day));
        }
        let mut graph = Self::default();
        for (&(lot, from, to), &(gone, day)) in &sums {
            let back = sums
                .get(&(lot, to, from))
                .map_or(Mass::ZERO, |(mass, _)| *mass);
            let Some(mass) = gone.minus(back).ok().filter(|mass| mass.is_positive()) else {
                continue;
            };
            graph.add(Edge {
                from: node(lot, from),
                to: node(lot, to),
                lot,
                mass,
                day,
            });
        }
        graph
    }

    fn add(&mut self, edge: Edge) {
        let at = self.edges.len();
        self.leaving.entry(edge.from).or_default().push(at);
        self.coming.entry(edge.to).or_default().push(at);
        self.edges.push(edge);
    }

    /// All nodes.
    pub fn nodes(&self) -> BTreeSet<Node> {
        self.edges.iter().flat_map(|e| [e.from, e.to]).collect()
    }

    /// The edges on which coffee came to, or went on from, these nodes, in the order of their days.
    pub fn reach(&self, start: &BTreeSet<Node>, towards: Towards) -> BTreeSet<usize> {
        let next = match towards {
            Towards::Source => &self.coming,
            Towards::End => &self.leaving,
        };
        let mut seen = start.clone();
        let mut open: Vec<Node> = start.iter().copied().collect();
        let mut found = BTreeSet::new();
        while let Some(at) = open.pop() {
            for edge in next.get(&at).into_iter().flatten() {
                found.insert(*edge);
                let there = match towards {
                    Towards::Source => self.edges[*edge].from,
                    Towards::End => self.edges[*edge].to,
                };
                if seen.insert(there) && !is_end(there.1) {
                    open.push(there);
                }
            }
        }
        found
    }

    /// An edge by its number.
    pub fn edge(&self, at: usize) -> &Edge {
        &self.edges[at]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn id(n: u128) -> Uuid {
        Uuid::from_u128(n)
    }

    fn way(lot: u128, from: Place, to: Place, grams: i64) -> Way {
        Way {
            lot: id(lot).into(),
            from,
            to,
            mass: Mass::from_grams(grams).unwrap(),
            day: "2026-11-25".parse().unwrap(),
        }
    }

    /// Two batches of one lot: what leaves one is not what came from the other, though both lose to the air of the lot.
    #[test]
    fn batches_do_not_meet_in_the_air() {
        let store = Place::Store(id(1).into());
        let batch = |n| Place::Batch(id(n).into());
        let roasted = |n| Place::Roasted(id(n).into());
        let graph = Graph::new(&[
            way(9, Place::Supplier(id(2).into()), store, 100),
            way(9, store, batch(3), 10),
            way(9, store, batch(4), 12),
            way(9, batch(3), store, 2),
            way(9, batch(3), Place::Air, 1),
            way(9, batch(4), Place::Air, 2),
            way(9, batch(3), roasted(3), 7),
            way(9, Place::Variance, store, 5),
            way(9, roasted(3), Place::Variance, 1),
        ]);
        let lot = LotId(id(9));
        let start = BTreeSet::from([(lot, batch(3))]);
        let masses = |towards| -> Vec<i64> {
            let edges = graph.reach(&start, towards);
            let mut grams: Vec<i64> = edges
                .iter()
                .map(|e| graph.edge(*e).mass.whole_grams())
                .collect();
            grams.sort_unstable();
            grams
        };
        assert_eq!(masses(Towards::End), [1, 1, 7]);
        assert_eq!(masses(Towards::Source), [5, 8, 100]);
    }

    #[test]
    fn what_went_into_a_blend_is_in_what_is_made_of_it() {
        let store = Place::Store(id(1).into());
        let blended = Place::Blended(id(8).into());
        let batch = Place::Batch(id(3).into());
        let graph = Graph::new(&[
            way(7, store, blended, 40),
            way(8, blended, store, 40),
            way(8, store, batch, 10),
        ]);
        let start = BTreeSet::from([(LotId(id(7)), store)]);
        assert_eq!(graph.reach(&start, Towards::End).len(), 3);
        let start = BTreeSet::from([(LotId(id(8)), batch)]);
        assert_eq!(graph.reach(&start, Towards::Source).len(), 3);
    }
}
