//! Numbers for ids. Numbers are given in the order of the fold, so that they too do not depend on the order of arrival.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};

use super::Question;

/// Numbers for ids, in the order in which the fold met them.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(from = "Vec<String>", into = "Vec<String>")]
pub(super) struct Names(HashMap<String, usize>);

impl From<Vec<String>> for Names {
    fn from(ids: Vec<String>) -> Self {
        Self(ids.into_iter().zip(0..).collect())
    }
}

impl From<Names> for Vec<String> {
    fn from(Names(numbers): Names) -> Self {
        let mut ids: Vec<_> = numbers.into_iter().collect();
        ids.sort_unstable_by_key(|&(_, number)| number);
        ids.into_iter().map(|(id, _)| id).collect()
    }
}

impl Names {
    /// Forgets all but the first `count`.
    pub fn truncate(&mut self, count: usize) {
        if self.0.len() > count {
            self.0.retain(|_, &mut number| number < count);
        }
    }

    pub fn number(&mut self, id: &str) -> usize {
        if let Some(&number) = self.0.get(id) {
            return number;
        }
        let number = self.0.len();
        self.0.insert(id.to_owned(), number);
        number
    }

    /// The number, or one that nothing has.
    pub fn look_up(&self, id: &str) -> usize {
        self.0.get(id).copied().unwrap_or(self.0.len())
    }
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct AllNames {
    pub styles: Names,
    pub roasters: Names,
    pub lots: Names,
    pub deliveries: Names,
}

impl AllNames {
    /// Numbers of style, roaster, lot, delivery.
    pub fn numbers(&mut self, question: &Question) -> [usize; 4] {
        [
            self.styles.number(&question.style.id),
            self.roasters.number(&question.roaster),
            self.lots.number(&question.lot.id),
            self.deliveries.number(&question.lot.delivery),
        ]
    }

    pub fn counts(&self) -> [usize; 4] {
        [&self.styles, &self.roasters, &self.lots, &self.deliveries].map(|names| names.0.len())
    }

    pub fn truncate(&mut self, counts: [usize; 4]) {
        for (names, count) in [
            &mut self.styles,
            &mut self.roasters,
            &mut self.lots,
            &mut self.deliveries,
        ]
        .into_iter()
        .zip(counts)
        {
            names.truncate(count);
        }
    }
}
