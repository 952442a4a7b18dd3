//! How long a plan takes, per family of instances.

use outturn::planner::{Effort, Instance, Options, plan, plan_with};

fn main() {
    divan::main();
}

const NAMES: [&str; 7] = [
    "tiny-1",
    "small-1",
    "tight-capacity-1",
    "tails-1",
    "many-lots-1",
    "tight-green-1",
    "week-1",
];

fn read(name: &str) -> Instance {
    let path = format!(
        "{}/tests/planner/data/stored/{name}.json",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(path).expect("a stored instance");
    Instance::from_json(&text).expect("a legal instance")
}

#[divan::bench(args = NAMES, sample_count = 5, sample_size = 1)]
fn whole(bencher: divan::Bencher, name: &str) {
    let instance = read(name);
    bencher.bench(|| plan(&instance));
}

#[divan::bench(args = NAMES, sample_count = 5, sample_size = 1)]
fn first_good(bencher: divan::Bencher, name: &str) {
    let instance = read(name);
    let options = Options {
        effort: Effort::First,
        ..Options::default()
    };
    bencher.bench_local(|| plan_with(&instance, &options));
}
