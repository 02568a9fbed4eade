//! The settling engine beside the ways people decide today, on series whose truth is known. Not a test: nothing is asserted.
//!
//! `cargo bench -p settled-tests --bench settling -- [--seed N] [--series N] [--only engine] [FAMILY …]`
//!
//! Prints the tables of daemon/SETTLING.md. "Tuned" families are those that the engine's constants were chosen on (with
//! other seeds), "fresh" ones are not.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

mod family;
mod noise;
mod rules;
mod score;
mod series;
mod truth;

use family::{FRESH, TUNED};
use rules::Rule;
use score::{COLUMNS, Score};
use series::Series;

const RULES: [(&str, Rule); 8] = [
    ("**settled**", rules::engine),
    ("two readings agree", rules::two_agree),
    ("ten readings agree", rules::ten_agree),
    ("half an hour", rules::half_an_hour),
    ("slope over a hold", rules::slope),
    ("ratio of variances", rules::ratio_of_variances),
    ("successive differences", rules::successive_differences),
    ("marginal error", rules::marginal_error),
];

struct Options {
    seed: u64,
    series: usize,
    rules: usize,
    families: Vec<(usize, &'static str)>,
}

fn options() -> Options {
    let mut options = Options { seed: 1, series: 100, rules: RULES.len(), families: Vec::new() };
    let all = || TUNED.iter().chain(&FRESH).copied().enumerate();
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--seed" => options.seed = words.next().unwrap().parse().unwrap(),
            "--series" => options.series = words.next().unwrap().parse().unwrap(),
            "--only" => options.rules = usize::from(words.next().unwrap() == "engine"),
            "--bench" => {}
            name => options.families.extend(all().filter(|(_, family)| family.starts_with(name))),
        }
    }
    if options.families.is_empty() {
        options.families = all().collect();
    }
    options
}

/// Scores by family and rule, and the time that the engine took with how many readings.
struct Outcome {
    scores: Vec<Vec<Score>>,
    spent: (Duration, usize),
}

fn run(options: &Options) -> Outcome {
    let next = AtomicUsize::new(0);
    let jobs = options.families.len() * options.series;
    let worker = || {
        let mut outcome = Outcome {
            scores: vec![vec![Score::default(); options.rules]; options.families.len()],
            spent: (Duration::ZERO, 0),
        };
        loop {
            let job = next.fetch_add(1, Ordering::Relaxed);
            if job >= jobs {
                return outcome;
            }
            let family = job / options.series;
            let series = Series::draw(options.families[family], options.seed, job % options.series);
            for (index, (_, rule)) in RULES.iter().take(options.rules).enumerate() {
                let start = Instant::now();
                let answers = rule(&series);
                if index == 0 {
                    outcome.spent.0 += start.elapsed();
                    outcome.spent.1 += series.readings.len();
                }
                outcome.scores[family][index].add(&Score::of(&series, &answers));
            }
        }
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..2).map(|_| scope.spawn(worker)).collect();
        workers
            .into_iter()
            .map(|worker| worker.join().unwrap())
            .reduce(|mut all, other| {
                all.spent.0 += other.spent.0;
                all.spent.1 += other.spent.1;
                for (mine, theirs) in all.scores.iter_mut().flatten().zip(other.scores.iter().flatten()) {
                    mine.add(theirs);
                }
                all
            })
            .unwrap()
    })
}

fn total<'a>(scores: impl Iterator<Item = &'a Score>) -> Score {
    scores.fold(Score::default(), |mut all, score| {
        all.add(score);
        all
    })
}

fn print_table(rows: &[(&str, Score)]) {
    let heads: Vec<&str> = COLUMNS.iter().map(|(head, _)| *head).collect();
    println!("\n| | {} |\n|---|{}", heads.join(" | "), "---|".repeat(heads.len()));
    for (name, score) in rows {
        let cells: Vec<String> = COLUMNS
            .iter()
            .map(|(_, column)| column(score).map_or("–".to_owned(), |value| format!("{value:.2}")))
            .collect();
        println!("| {name} | {} |", cells.join(" | "));
    }
}

/// Declarations that were wrong, family by family, all rules beside each other.
fn print_false_by_family(options: &Options, scores: &[Vec<Score>]) {
    println!("\nCalled settled and was not, in per cent of the series:");
    let heads: Vec<&str> = RULES.iter().take(options.rules).map(|(name, _)| *name).collect();
    println!("\n| | {} |\n|---|{}", heads.join(" | "), "---|".repeat(heads.len()));
    for ((_, family), scores) in options.families.iter().zip(scores) {
        let cells: Vec<String> = scores
            .iter()
            .map(|score| score.wrong().map_or("–".to_owned(), |share| format!("{share:.1}")))
            .collect();
        println!("| {family} | {} |", cells.join(" | "));
    }
}

fn main() {
    let options = options();
    let Outcome { scores, spent } = run(&options);
    println!("Seed {}, {} series a family.", options.seed, options.series);
    let families = || options.families.iter().zip(&scores);
    let is_tuned = |name: &str| TUNED.contains(&name);
    for tuned in [true, false] {
        println!("\nAll {} families:", if tuned { "tuned" } else { "fresh" });
        let rows: Vec<(&str, Score)> = RULES
            .iter()
            .take(options.rules)
            .enumerate()
            .map(|(rule, (name, _))| {
                let chosen = families().filter(|((_, family), _)| is_tuned(family) == tuned);
                (*name, total(chosen.map(|(_, scores)| &scores[rule])))
            })
            .collect();
        print_table(&rows);
        if let Some(wrongly) = rows[0].1.despaired_wrongly() {
            println!("\nCalled hopeless though it settles in time: {wrongly:.2} %.");
        }
    }
    if options.rules > 1 {
        print_false_by_family(&options, &scores);
    }
    println!("\nThe engine, by family:");
    print_table(&families().map(|((_, name), scores)| (*name, scores[0].clone())).collect::<Vec<_>>());
    println!(
        "\nThe engine took {:.2} µs a reading ({} readings).",
        1e6 * spent.0.as_secs_f64() / spent.1 as f64,
        spent.1
    );
}
