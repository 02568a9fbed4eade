//! The page's text: OpenMetrics 1.0, or the older text format of Prometheus for those that ask for it. Nothing else knows how they
//! differ.

/// OpenMetrics allows a family's name to end with its unit, and wants it to where a unit is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// OpenMetrics 1.0 (the text format of its specification, section 5).
    OpenMetrics,
    /// Prometheus's text format 0.0.4: counters keep their suffix in the header, there is neither a unit nor an end.
    Prometheus,
}

impl Form {
    /// What the answer says of itself.
    pub(super) fn content_type(self) -> &'static str {
        match self {
            Self::OpenMetrics => "application/openmetrics-text; version=1.0.0; charset=utf-8",
            Self::Prometheus => "text/plain; version=0.0.4; charset=utf-8",
        }
    }
}

/// What kind of family it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// It goes up and down.
    Gauge,
    /// It only goes up, until the daemon is started anew.
    Counter,
    /// It is always 1: its labels are what it says.
    Info,
}

/// A page as it is being written.
#[derive(Debug)]
pub(super) struct Page {
    form: Form,
    text: String,
}

/// A family whose samples are being written.
#[derive(Debug)]
pub(super) struct Family<'a> {
    page: &'a mut Page,
    name: &'static str,
    kind: Kind,
}

impl Page {
    pub(super) fn new(form: Form) -> Self {
        Self { form, text: String::new() }
    }

    /// Begins a family. `unit` is the end of its name, or empty; a counter's name is given without its suffix.
    pub(super) fn family(
        &mut self,
        kind: Kind,
        name: &'static str,
        unit: &str,
        help: &'static str,
    ) -> Family<'_> {
        let (word, suffix) = match (self.form, kind) {
            (Form::OpenMetrics, Kind::Info) => ("info", ""),
            (Form::OpenMetrics, Kind::Counter) => ("counter", ""),
            (Form::Prometheus, Kind::Counter) => ("counter", "_total"),
            (Form::Prometheus, Kind::Info) => ("gauge", "_info"),
            (_, Kind::Gauge) => ("gauge", ""),
        };
        self.text.push_str(&format!("# TYPE {name}{suffix} {word}\n"));
        if self.form == Form::OpenMetrics && !unit.is_empty() {
            self.text.push_str(&format!("# UNIT {name} {unit}\n"));
        }
        self.text.push_str(&format!("# HELP {name}{suffix} {}\n", escaped(help)));
        Family { page: self, name, kind }
    }

    /// A gauge without a unit.
    pub(super) fn gauge(&mut self, name: &'static str, help: &'static str) -> Family<'_> {
        self.family(Kind::Gauge, name, "", help)
    }

    /// A counter without a unit.
    pub(super) fn counter(&mut self, name: &'static str, help: &'static str) -> Family<'_> {
        self.family(Kind::Counter, name, "", help)
    }

    /// The whole text.
    pub(super) fn end(mut self) -> String {
        if self.form == Form::OpenMetrics {
            self.text.push_str("# EOF\n");
        }
        self.text
    }
}

impl Family<'_> {
    /// One sample. What isn't finite isn't known, and is left out.
    pub(super) fn sample(&mut self, labels: &[(&str, &str)], value: f64) {
        if !value.is_finite() {
            return;
        }
        let suffix = match self.kind {
            Kind::Gauge => "",
            Kind::Counter => "_total",
            Kind::Info => "_info",
        };
        let text = &mut self.page.text;
        text.push_str(self.name);
        text.push_str(suffix);
        for (index, (name, label)) in labels.iter().enumerate() {
            text.push(if index == 0 { '{' } else { ',' });
            text.push_str(&format!("{name}=\"{}\"", escaped(label)));
        }
        if !labels.is_empty() {
            text.push('}');
        }
        text.push_str(&format!(" {value}\n"));
    }

    /// A sample where something is known.
    pub(super) fn known(&mut self, labels: &[(&str, &str)], value: Option<f64>) {
        if let Some(value) = value {
            self.sample(labels, value);
        }
    }

    /// A sample that counts something.
    pub(super) fn count(&mut self, labels: &[(&str, &str)], count: u64) {
        self.sample(labels, number(count));
    }

    /// A sample that is 1 if something holds.
    pub(super) fn holds(&mut self, labels: &[(&str, &str)], holds: bool) {
        self.sample(labels, f64::from(u8::from(holds)));
    }
}

/// A count as the page's numbers are: exact to 2⁵³.
#[expect(
    clippy::as_conversions,
    clippy::cast_precision_loss,
    reason = "counts beyond 2^53 are beyond the format too"
)]
pub(super) fn number(count: u64) -> f64 {
    count as f64
}

/// With what would end a label or a line escaped.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page(form: Form) -> String {
        let mut page = Page::new(form);
        page.family(Kind::Info, "a_build", "", "What it is.").sample(&[("version", "1.0")], 1.0);
        let mut waits = page.family(Kind::Counter, "a_wait_seconds", "seconds", "Time waited.");
        waits.sample(&[("who", "a \"b\"\\\nc"), ("of", "d")], 0.5);
        waits.sample(&[("who", "nobody knows")], f64::NAN);
        page.gauge("a_size", "How large.").count(&[], 1 << 53);
        page.end()
    }

    #[test]
    fn openmetrics_has_units_suffixes_and_an_end() {
        let expected = "# TYPE a_build info\n# HELP a_build What it is.\na_build_info{version=\"1.0\"} 1\n# TYPE a_wait_seconds counter\n# UNIT a_wait_seconds seconds\n# HELP a_wait_seconds Time waited.\na_wait_seconds_total{who=\"a \\\"b\\\"\\\\\\nc\",of=\"d\"} 0.5\n# TYPE a_size gauge\n# HELP a_size How large.\na_size 9007199254740992\n# EOF\n";
        assert_eq!(page(Form::OpenMetrics), expected);
    }

    #[test]
    fn the_older_format_has_neither_units_nor_an_end() {
        let expected = "# TYPE a_build_info gauge\n# HELP a_build_info What it is.\na_build_info{version=\"1.0\"} 1\n# TYPE a_wait_seconds_total counter\n# HELP a_wait_seconds_total Time waited.\na_wait_seconds_total{who=\"a \\\"b\\\"\\\\\\nc\",of=\"d\"} 0.5\n# TYPE a_size gauge\n# HELP a_size How large.\na_size 9007199254740992\n";
        assert_eq!(page(Form::Prometheus), expected);
    }
}
