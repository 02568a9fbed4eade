//! Reviews of simulated displays with faults put in: what is found, and what is reported that isn't there. Not a test: nothing is asserted.
//!
//! `cargo bench -p settled-tests --bench reviewing -- [--reviews N] [--seed N] [--noise N] [--records FOLDER] [CASE …]`
//!
//! Prints the table of client/REVIEW.md. `--noise` has the meter so many times as noisy. With `--records FOLDER` it writes one record of each case instead, for `settle review show`.

#![expect(clippy::print_stdout, clippy::unwrap_used, reason = "a benchmark prints")]

#[path = "../settling/noise.rs"]
#[expect(dead_code, reason = "other noise is for other benchmarks")]
mod noise;

mod case;
mod cases;
mod observer;
mod plans;
mod rates;

use case::Case;
use observer::Noise;
use rates::Rates;

fn main() {
    let (mut seed, mut reviews, mut wanted, mut folder) = (1_u64, 200_usize, Vec::new(), None);
    let mut noise = 1.0;
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--seed" => seed = words.next().unwrap().parse().unwrap(),
            "--reviews" => reviews = words.next().unwrap().parse().unwrap(),
            "--noise" => noise = words.next().unwrap().parse().unwrap(),
            "--records" => folder = words.next(),
            "--bench" => {}
            name => wanted.push(name.to_owned()),
        }
    }
    if let Some(folder) = folder {
        for (index, case) in cases::all().iter().enumerate() {
            write(&format!("{folder}/{index:02}.jsonl"), case, seed);
        }
        return;
    }
    println!("| put in | figure | found | interval holds the truth | reviews with a false alarm |");
    println!("|---|---|---|---|---|");
    for case in cases::all() {
        if wanted.is_empty() || wanted.iter().any(|name| case.name.starts_with(name.as_str())) {
            print(&Rates::of(case, times(Noise::USUAL, noise), seed, reviews, false));
        }
    }
}

fn times(noise: Noise, factor: f64) -> Noise {
    let Noise { luminance, floor, chromaticity } = noise;
    Noise { luminance: factor * luminance, floor: factor * floor, chromaticity: factor * chromaticity }
}

fn write(path: &str, case: &Case, seed: u64) {
    let record = observer::review(&case.display(), &case.plan(false), Noise::USUAL, seed);
    let entries = record.entries.iter().map(|entry| serde_json::to_string(entry).unwrap());
    let lines: Vec<String> =
        std::iter::once(serde_json::to_string(&record.header).unwrap()).chain(entries).collect();
    std::fs::write(path, lines.join("\n") + "\n").unwrap();
    println!("{path}: {}", case.name);
}

fn print(rates: &Rates) {
    let alarms = format!("{} of {}", rates.false_alarms, rates.reviews);
    if rates.found.is_empty() {
        println!("| {} | | | | {alarms} |", rates.name);
    }
    for (index, found) in rates.found.iter().enumerate() {
        let (name, alarms) = if index == 0 { (rates.name, alarms.as_str()) } else { ("", "") };
        let held = found.held.map_or(String::new(), |held| format!("{held} of {}", found.measured));
        let found_in = format!("{} of {}", found.as_expected, rates.reviews);
        println!("| {name} | {} | {found_in} | {held} | {alarms} |", found.subject.replace('_', " "));
    }
    for (alarm, count) in &rates.alarms {
        println!("  false: {alarm}, {count} times");
    }
}
