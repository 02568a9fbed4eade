//! `settle log bins`: a row for each span of time.

use clap::Args;
use settled_protocol::bins::Bin;
use settled_protocol::quantity::Photometric;

use super::super::patience::Progress;
use super::super::{Context, Exit, Failure};
use super::stretch::{self, StretchOptions};
use crate::output::{CAUTION, FAINT, Output, styled};
use crate::quantities::{seconds, within};
use crate::show;

#[derive(Debug, Args)]
pub(in super::super) struct Options {
    #[command(flatten)]
    stretch: StretchOptions,
    /// The length of each span, from 1ms to a year.
    #[arg(long, value_name = "TIME", default_value = "1min", value_parser = within(seconds, 0.001..=31_557_600.0, "1ms to 1year"))]
    every: f64,
    /// CSV with a header, for a spreadsheet: chromaticity and temperature, too (as with --json); units are in the names of the columns, that of values in a column.
    #[arg(long)]
    csv: bool,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let Options { stretch, every, csv } = options;
    if csv && context.output.json {
        return Err(Failure::Usage("--csv and --json are two forms of the same: choose one".to_owned()));
    }
    let connection = context.connect().await?;
    let stretch = stretch.resolve(&connection).await?;
    let mut found = false;
    // On a terminal the rows themselves show how far it is, and what reads a pipe may be a pager, which has the terminal for itself.
    let mut progress = Output::fills_a_file().then(|| Progress::new(context.output));
    let mut count = 0;
    stretch::pages(&connection, stretch::bins_of(&stretch, every), |bins| {
        if csv {
            context.output.raw(&table(&bins, !found)?)?;
        } else {
            for bin in &bins {
                if context.output.json {
                    context.output.object(bin)?;
                } else {
                    context.output.line(&line(bin))?;
                }
            }
        }
        found |= !bins.is_empty();
        count += bins.len() as u64;
        if let Some(progress) = &mut progress {
            progress.show(&format!("{} so far", show::counted(count, "row", "rows")), None);
        }
        Ok(true)
    })
    .await?;
    if let Some(progress) = progress {
        progress.end();
    }
    if found { Ok(Exit::Done) } else { Err(stretch::nothing(&connection, &stretch).await) }
}

/// What fits a line of a terminal.
fn line(bin: &Bin) -> String {
    let unit = bin.quantity.unit();
    let range = format!("{} to {}", show::number(bin.min), show::number(bin.max));
    let thinned = if bin.thinned { "thinned, " } else { "" };
    let flags = format!("{thinned}{}", show::short_flags(&bin.flags));
    let time = styled(FAINT, &format!("{:.19}Z", bin.at.to_string()));
    let words = format!(
        "{time}  {:>6}  {:>8} {unit}  {range:<19}  {}",
        bin.count,
        show::number(bin.mean),
        styled(CAUTION, flags.trim_end_matches(", "))
    );
    words.trim_end().to_owned()
}

const HEADER: [&str; 17] = [
    "at",
    "span_s",
    "count",
    "first",
    "last",
    "mean",
    "min",
    "max",
    "sd",
    "unit",
    "chromaticity_x",
    "chromaticity_y",
    "u_prime",
    "v_prime",
    "temperature_c",
    "flags",
    "thinned",
];

/// Rows of CSV, after a header if they are the first.
fn table(bins: &[Bin], with_header: bool) -> Result<Vec<u8>, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    if with_header && !bins.is_empty() {
        writer.write_record(HEADER).map_err(std::io::Error::from)?;
    }
    let number = |value: Option<f64>| value.map_or_else(String::new, show::exact);
    for bin in bins {
        let colour = bin.chromaticity;
        let flags: Vec<&str> = bin.flags.iter().map(|flag| flag.name()).collect();
        let unit = match bin.quantity {
            Photometric::Luminance => "cd/m2",
            Photometric::Illuminance => "lx",
        };
        let row: [String; 17] = [
            bin.at.to_string(),
            show::exact(bin.span_s),
            bin.count.to_string(),
            bin.first.to_string(),
            bin.last.to_string(),
            show::exact(bin.mean),
            show::exact(bin.min),
            show::exact(bin.max),
            number(bin.sd),
            unit.to_owned(),
            number(colour.map(|colour| colour.x())),
            number(colour.map(|colour| colour.y())),
            number(colour.map(|colour| colour.u_prime())),
            number(colour.map(|colour| colour.v_prime())),
            number(bin.temperature_c),
            flags.join(" "),
            bin.thinned.to_string(),
        ];
        writer.write_record(row).map_err(std::io::Error::from)?;
    }
    Ok(writer.into_inner().map_err(csv::IntoInnerError::into_error)?)
}
