//! The pictures of daemon/SETTLING.md: made by the engine that they explain, and held to be what it makes.
//!
//! `PICTURES=write cargo test -p settled-tests --test it pictures` writes them anew.

use std::path::{Path, PathBuf};

use plotters::prelude::*;
use settled::settle::{Judge, Observation};
use settled_protocol::rule::Rule;
use settled_protocol::settling::{Criteria, Verdict};

const SIZE: (u32, u32) = (760, 300);
/// Readings that are drawn, at most.
const POINTS: usize = 450;
/// Legible for those with a colour-vision deficiency (after Okabe & Ito 2008), on white.
const READINGS: RGBColor = RGBColor(90, 90, 90);
const SETTLED: RGBColor = RGBColor(0, 114, 178);
const LOST: RGBColor = RGBColor(213, 94, 0);
const HOPELESS: RGBColor = RGBColor(204, 121, 167);
const INK: RGBColor = RGBColor(30, 30, 30);

struct Picture {
    name: &'static str,
    caption: &'static str,
    seconds: u32,
    criteria: Criteria,
    noise: f64,
    light: fn(f64) -> f64,
}

/// A small generator (xorshift64*, Vigna 2016, cited from memory) and Box & Muller 1958: the same numbers on every run.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

fn pictures() -> [Picture; 8] {
    let usual = Criteria::default();
    let picture = |name, caption, seconds, noise, light| Picture {
        name,
        caption,
        seconds,
        criteria: usual,
        noise,
        light,
    };
    [
        picture("settled", "settled: a patch creeps down by 4 % and comes to rest", 420, 0.15, |t| {
            192.0 + 8.0 * (-t / 45.0).exp()
        }),
        picture("lost", "lost, and settled again: the display dims itself by 8 %", 420, 0.15, |t| {
            if t < 200.0 { 200.0 } else { 184.0 }
        }),
        picture("outlier", "still settled: somebody walks past", 300, 0.15, |t| {
            if (180.0..183.0).contains(&t) { 120.0 } else { 200.0 }
        }),
        picture(
            "noise_limited",
            "noise_limited: nothing drifts, but noise hides the band",
            1500,
            60.0,
            |_| 200.0,
        ),
        Picture {
            criteria: Criteria { max_wait_s: 900.0, ..usual },
            ..picture("wont_settle", "wont_settle: two bands a hold, and no end in sight", 900, 0.15, |t| {
                200.0 + t / 30.0
            })
        },
        Picture {
            criteria: Criteria { max_wait_s: 90.0, ..usual },
            ..picture(
                "timed_out",
                "timed_out: averaging this noise takes longer than a minute and a half",
                90,
                2.0,
                |_| 200.0,
            )
        },
        picture("turning", "not settled at the crests, where a straight line looks level", 900, 0.15, |t| {
            200.0 + 4.0 * (std::f64::consts::TAU * t / 400.0).sin()
        }),
        Picture {
            criteria: Criteria { preset: Rule::CieS025, max_wait_s: 3600.0, ..usual },
            ..picture(
                "published",
                "settled by CIE S 025: the last quarter of an hour, after half an hour",
                2700,
                0.1,
                |t| 200.0 - 14.0 * (-t / 400.0).exp(),
            )
        },
    ]
}

/// Readings, changes of verdict with their values, and the band at the end.
struct Story {
    readings: Vec<(f64, f64)>,
    changes: Vec<(f64, Verdict, f64)>,
    band: f64,
}

impl Picture {
    fn story(&self) -> Story {
        let mut judge = Judge::new(self.criteria, None, 0.0);
        let mut noise = Noise(20);
        let mut story =
            Story { readings: Vec::new(), changes: Vec::new(), band: self.criteria.luminance_band(200.0) };
        for second in 1..=self.seconds {
            let t = f64::from(second);
            let y = (self.light)(t - 0.5) + self.noise * noise.normal();
            story.readings.push((t, y));
            if let Some(change) = judge.push(Observation { t_s: t, integration_s: Some(1.0), y, uv: None }) {
                let value = change.value.map_or(y, |value| value.y);
                story.changes.push((t, change.verdict, value));
            }
        }
        if t_is_over(&self.criteria, self.seconds) && judge.verdict().is_none() {
            let value = judge.standing().value.map_or(0.0, |value| value.y);
            story.changes.push((f64::from(self.seconds), Verdict::TimedOut, value));
        }
        story
    }

    fn draw(&self) -> String {
        let story = self.story();
        let ys = || story.readings.iter().map(|(_, y)| *y);
        let (low, high) = ys().fold((f64::MAX, f64::MIN), |(low, high), y| (low.min(y), high.max(y)));
        let margin = 0.12 * (high - low).max(4.0 * story.band);
        let mut svg = String::new();
        {
            let area = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
            area.fill(&WHITE).unwrap();
            let end = f64::from(self.seconds);
            let mut chart = ChartBuilder::on(&area)
                .caption(self.caption, ("sans-serif", 15).into_font().color(&INK))
                .margin(10)
                .margin_right(18)
                .x_label_area_size(34)
                .y_label_area_size(58)
                .build_cartesian_2d(0.0..end, low - margin..high + margin)
                .unwrap();
            chart
                .configure_mesh()
                .light_line_style(WHITE)
                .x_desc("s")
                .y_desc("cd/m²")
                .x_label_formatter(&|x| format!("{x:.0}"))
                .y_label_formatter(&|y| format!("{y:.0}"))
                .label_style(("sans-serif", 12).into_font().color(&INK))
                .draw()
                .unwrap();
            let every = story.readings.len().div_ceil(POINTS);
            let drawn = story.readings.iter().step_by(every).copied();
            chart.draw_series(LineSeries::new(drawn, &READINGS)).unwrap();
            for (row, (at, verdict, value)) in (0..).zip(&story.changes) {
                let colour = match verdict {
                    Verdict::Settled => SETTLED,
                    Verdict::Lost => LOST,
                    _ => HOPELESS,
                };
                let promised = (at + self.criteria.hold_s).min(end);
                if *verdict == Verdict::Settled {
                    let corners = [(*at, value - story.band), (promised, value + story.band)];
                    chart.draw_series([Rectangle::new(corners, colour.mix(0.25).filled())]).unwrap();
                }
                chart
                    .draw_series(LineSeries::new([(*at, low - margin), (*at, high + margin)], &colour))
                    .unwrap();
                let left = *at > 0.8 * end;
                let words = format!("{} at {at:.0} s", verdict.name());
                let style = ("sans-serif", 13).into_font().color(&colour);
                let shift = if left { -(7 * i32::try_from(words.len()).unwrap()) } else { 5 };
                chart
                    .draw_series([EmptyElement::at((*at, high + margin))
                        + Text::new(words, (shift, 4 + 16 * row), style)])
                    .unwrap();
            }
            area.present().unwrap();
        }
        svg
    }
}

fn t_is_over(criteria: &Criteria, seconds: u32) -> bool {
    f64::from(seconds) >= criteria.max_wait_s
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../daemon/pictures")
}

#[test]
fn the_pictures_are_those_that_the_engine_makes() {
    let write = std::env::var_os("PICTURES").is_some_and(|what| what == "write");
    for picture in pictures() {
        let (path, drawn) = (folder().join(format!("{}.svg", picture.name)), picture.draw());
        if write {
            std::fs::write(&path, &drawn).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            kept == drawn,
            "{} is not what the engine makes: PICTURES=write writes it anew",
            path.display()
        );
    }
}

#[test]
fn each_verdict_has_its_picture_and_the_guide_shows_them_all() {
    let guide = std::fs::read_to_string(folder().join("../SETTLING.md")).unwrap();
    for picture in pictures() {
        assert!(
            guide.contains(&format!("(pictures/{}.svg)", picture.name)),
            "SETTLING.md lacks {}",
            picture.name
        );
    }
    let ends = |name: &str| {
        let picture = pictures().into_iter().find(|picture| picture.name == name).unwrap();
        picture.story().changes.iter().map(|(_, verdict, _)| *verdict).collect::<Vec<_>>()
    };
    use Verdict::{Lost, NoiseLimited, Settled, TimedOut, WontSettle};
    assert_eq!(ends("settled"), [Settled]);
    assert_eq!(ends("lost"), [Settled, Lost, Settled]);
    assert_eq!(ends("outlier"), [Settled]);
    assert_eq!(ends("noise_limited"), [NoiseLimited]);
    assert_eq!(ends("wont_settle"), [WontSettle]);
    assert_eq!(ends("timed_out"), [TimedOut]);
    assert_eq!(ends("turning"), []);
    assert_eq!(ends("published"), [Settled]);
}
