//! Who gets what: the transportation problem of one family, exactly, in units of 0.1 mg.
//!
//! First L1 = `sum_j p_j short_j`, then L5 = `sum_sj f[s,j] (h_j - day_s)`, which telescopes to
//! `sum_j h_j served_j - sum_s day_s used_s`,
//! and the sets of units that can be served together, and used together, are the two sides of a transversal matroid. So
//! both sides may be chosen greedily and apart (Mendelsohn and Dulmage, 1958: a matching covering the best items and one
//! covering the best sources give one that covers both): items by heavier p, then earlier h; sources by later day.

use super::problem::{Family, Supply, Want};

/// What the items of a family get from given supplies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Served {
    /// Sum of p * short.
    pub short: i64,
    /// Sum of flow * (ship day - roasting day).
    pub age: i64,
}

/// Working memory, kept between calls.
#[derive(Default)]
pub(super) struct Desk {
    left: Vec<i64>,
    rest: Vec<i64>,
    flow: Vec<i64>,
    spans: Vec<i64>,
    parent: Vec<usize>,
    queue: Vec<usize>,
}

const NOBODY: usize = usize::MAX;

impl Desk {
    /// The best shortage and age for the supplies, which must be sorted by day. Of a weighted shortage above `most_short` the
    /// age is not worked out.
    pub(super) fn serve(
        &mut self,
        family: &Family,
        supplies: &[Supply],
        most_short: i64,
    ) -> Served {
        if !family.open {
            return self.serve_by_flows(family, supplies);
        }
        self.left.clear();
        self.left.extend(family.items.iter().map(|w| w.units));
        if let Some(age) = self.cover(&family.items, supplies) {
            return Served { short: 0, age };
        }
        let short = self.choose_served(family, supplies);
        if short > most_short {
            return Served { short, age: 0 };
        }
        let age = self.cover(&family.items, supplies).unwrap_or(0);
        Served { short, age }
    }

    fn serve_by_flows(&mut self, family: &Family, supplies: &[Supply]) -> Served {
        self.assign(family, supplies);
        let mut served = Served::default();
        let items = family.items.len();
        for (j, w) in family.items.iter().enumerate() {
            let mut got = 0;
            for (s, supply) in supplies.iter().enumerate() {
                let units = self.flow[s * items + j];
                got += units;
                served.age += units * (w.ship - supply.day);
            }
            served.short += w.priority * (w.units - got);
        }
        served
    }

    /// Where every item accepts every lot: what each item is served, in `left`, heaviest first. An item takes what all
    /// spans of days around its window have left beyond what is taken by items inside them: windows are spans of days, so
    /// that is Hall's condition in full. Answers the weighted shortage.
    fn choose_served(&mut self, family: &Family, supplies: &[Supply]) -> i64 {
        self.weigh_spans(family, supplies);
        let width = family.tos.len();
        let mut short = 0;
        for j in &family.heaviest {
            let w = &family.items[*j];
            let around = |rows: &mut [i64], take: &mut dyn FnMut(&mut i64)| {
                for row in rows.chunks_mut(width).take(w.from_at + 1) {
                    row[w.to_at..].iter_mut().for_each(&mut *take);
                }
            };
            let mut units = w.units;
            around(&mut self.spans, &mut |span| units = units.min(*span));
            around(&mut self.spans, &mut |span| *span -= units);
            self.left[*j] = units;
            short += w.priority * (w.units - units);
        }
        short
    }

    /// What each span of days supplies, from each first roasting day (a row) to each last one.
    fn weigh_spans(&mut self, family: &Family, supplies: &[Supply]) {
        self.spans.clear();
        for from in &family.froms {
            let mut inside = supplies.iter().skip_while(|s| s.day < *from).peekable();
            let mut units = 0;
            for to in &family.tos {
                while let Some(supply) = inside.next_if(|s| s.day <= *to) {
                    units += supply.units;
                }
                self.spans.push(units);
            }
        }
    }

    /// Where every item accepts every lot: the least age if all that is in `left` is served, `None` if that cannot be. From
    /// the last day back, each supply serves the open item whose window began last. This uses as much of every span of late
    /// days as can be used, so if it covers all, the age is least too.
    fn cover(&mut self, items: &[Want], supplies: &[Supply]) -> Option<i64> {
        let mut open: i64 = self.left.iter().sum();
        if open > supplies.iter().map(|s| s.units).sum() {
            return None;
        }
        let ships = items.iter().zip(&self.left);
        let mut age: i64 = ships.map(|(w, left)| left * w.ship).sum();
        for supply in supplies.iter().rev() {
            let mut units = supply.units;
            while units > 0 {
                let mut best = NOBODY;
                for (j, w) in items.iter().enumerate() {
                    if self.left[j] > 0
                        && w.from <= supply.day
                        && supply.day <= w.to
                        && (best == NOBODY || w.from > items[best].from)
                    {
                        best = j;
                    }
                }
                if best == NOBODY {
                    break;
                }
                let given = units.min(self.left[best]);
                self.left[best] -= given;
                units -= given;
                open -= given;
                age -= given * supply.day;
            }
        }
        (open == 0).then_some(age)
    }

    /// The best flows, `flow[s * items + j]`, for the supplies sorted by day.
    pub(super) fn assign(&mut self, family: &Family, supplies: &[Supply]) -> &[i64] {
        let items = &family.items;
        // Which items are served: heaviest first, each as far as rerouting allows.
        self.start(
            supplies.iter().map(|s| s.units),
            supplies.len() * items.len(),
        );
        self.left.clear();
        self.left.resize(items.len(), 0);
        for j in &family.heaviest {
            self.left[*j] = items[*j].units;
            while self.left[*j] > 0 && self.reroute_to(*j, items, supplies) {}
        }
        let served: Vec<i64> = items
            .iter()
            .zip(&self.left)
            .map(|(w, left)| w.units - left)
            .collect();
        // Which supplies serve them: latest day first.
        self.start(served.into_iter(), supplies.len() * items.len());
        self.left.clear();
        self.left.resize(supplies.len(), 0);
        for s in (0..supplies.len()).rev() {
            self.left[s] = supplies[s].units;
            while self.left[s] > 0 && self.reroute_from(s, items, supplies) {}
        }
        &self.flow
    }

    fn start(&mut self, rest: impl Iterator<Item = i64>, flows: usize) {
        self.rest.clear();
        self.rest.extend(rest);
        self.flow.clear();
        self.flow.resize(flows, 0);
    }

    /// One augmenting path that brings units from a supply with a rest to item `goal`.
    fn reroute_to(&mut self, goal: usize, items: &[Want], supplies: &[Supply]) -> bool {
        let (n, m) = (items.len(), supplies.len());
        let accepts = |s: usize, j: usize| items[j].accepts(supplies[s].day, supplies[s].place);
        let Some(end) = self.search(
            goal,
            n,
            m,
            |j, s| accepts(s, j),
            |flow, j, s| flow[s * n + j],
        ) else {
            return false;
        };
        // Walk back from the supply to the goal: supply s serves item j, which then frees the supply before it.
        let mut units = self.left[goal].min(self.rest[end]);
        self.walk(end, goal, n, |flow, _, j, freed| {
            if let Some(freed) = freed {
                units = units.min(flow[freed * n + j]);
            }
        });
        self.walk(end, goal, n, |flow, s, j, freed| {
            flow[s * n + j] += units;
            if let Some(freed) = freed {
                flow[freed * n + j] -= units;
            }
        });
        self.rest[end] -= units;
        self.left[goal] -= units;
        true
    }

    /// One augmenting path that brings units from supply `goal` to an item with a rest.
    fn reroute_from(&mut self, goal: usize, items: &[Want], supplies: &[Supply]) -> bool {
        let (n, m) = (items.len(), supplies.len());
        let accepts = |s: usize, j: usize| items[j].accepts(supplies[s].day, supplies[s].place);
        let Some(end) = self.search(goal, m, n, accepts, |flow, s, j| flow[s * n + j]) else {
            return false;
        };
        let mut units = self.left[goal].min(self.rest[end]);
        self.walk(end, goal, m, |flow, _, s, freed| {
            if let Some(freed) = freed {
                units = units.min(flow[s * n + freed]);
            }
        });
        self.walk(end, goal, m, |flow, j, s, freed| {
            flow[s * n + j] += units;
            if let Some(freed) = freed {
                flow[s * n + freed] -= units;
            }
        });
        self.rest[end] -= units;
        self.left[goal] -= units;
        true
    }

    /// Breadth-first search from near node `goal` over far nodes to one with a rest. Near nodes are 0..near, far nodes
    /// follow; `flow_of(flow, near, far)` is what runs between them. Returns the far node; `parent` holds the way back.
    fn search(
        &mut self,
        goal: usize,
        near: usize,
        far: usize,
        linked: impl Fn(usize, usize) -> bool,
        flow_of: impl Fn(&[i64], usize, usize) -> i64,
    ) -> Option<usize> {
        self.parent.clear();
        self.parent.resize(near + far, NOBODY);
        self.queue.clear();
        self.queue.push(goal);
        self.parent[goal] = goal;
        let mut head = 0;
        while head < self.queue.len() {
            let a = self.queue[head];
            head += 1;
            for b in 0..far {
                if self.parent[near + b] != NOBODY || !linked(a, b) {
                    continue;
                }
                self.parent[near + b] = a;
                if self.rest[b] > 0 {
                    return Some(b);
                }
                for c in 0..near {
                    if self.parent[c] == NOBODY && flow_of(&self.flow, c, b) > 0 {
                        self.parent[c] = near + b;
                        self.queue.push(c);
                    }
                }
            }
        }
        None
    }

    /// Visits the path found by `search` from its far end: (far node, near node, the far node that the near one leaves).
    fn walk(
        &mut self,
        end: usize,
        goal: usize,
        near: usize,
        mut step: impl FnMut(&mut Vec<i64>, usize, usize, Option<usize>),
    ) {
        let mut far = end;
        loop {
            let a = self.parent[near + far];
            if a == goal {
                step(&mut self.flow, far, a, None);
                return;
            }
            let freed = self.parent[a] - near;
            step(&mut self.flow, far, a, Some(freed));
            far = freed;
        }
    }
}
