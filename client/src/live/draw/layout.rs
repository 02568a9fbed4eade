//! What goes where: one below the other on a narrow screen, two columns on a wide one. It depends on the size and on how many
//! meters there are, and on nothing else, so that nothing jumps.

use ratatui_core::layout::Rect;

/// The least columns there must be.
pub const LEAST_WIDTH: u16 = 60;
/// The least lines there must be.
pub const LEAST_HEIGHT: u16 = 16;

/// From so many columns and lines on there are two columns.
const WIDE: (u16, u16) = (110, 24);
/// The right column's least and largest width.
const BESIDE: (u16, u16) = (44, 90);

/// Where everything goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    /// A line for each meter.
    pub(super) meters: Rect,
    /// The line above the chosen meter.
    pub(super) rule: Rect,
    /// The value, in three lines.
    pub(super) value: Rect,
    /// The verdict.
    pub(super) ruling: Rect,
    /// What one must know.
    pub(super) notes: Rect,
    /// The curve.
    pub(super) chart: Rect,
    /// What there is to know of the meter beside, where there is room.
    pub(super) details: Option<Rect>,
    /// Runs.
    pub(super) runs: Rect,
    /// Events.
    pub(super) events: Rect,
}

impl Layout {
    pub(super) fn of(area: Rect, meters: usize) -> Self {
        let most = (area.height / 6).max(2);
        let meters = u16::try_from(meters).unwrap_or(u16::MAX).clamp(1, most);
        let mut left = Stack { area: Rect { y: area.y + 1, height: area.height - 1, ..area } };
        let meters = left.take(meters);
        if area.width >= WIDE.0 && area.height >= WIDE.1 {
            Self::wide(left.area, meters)
        } else {
            Self::narrow(left, area.height, meters)
        }
    }

    fn narrow(mut rest: Stack, height: u16, meters: Rect) -> Self {
        let rule = rest.take(1);
        let events = rest.take_last(if height < 24 { 1 } else { height / 8 - 1 });
        let runs = rest.take_last(if height < 30 { 1 } else { height / 12 });
        let value = rest.take(if height < 20 { 2 } else { 3 });
        let ruling = rest.take(match height {
            ..20 => 2,
            20..24 => 3,
            24.. => 4,
        });
        let notes = rest.take(if height < 30 { 1 } else { 2 });
        Self { meters, rule, value, ruling, notes, chart: rest.area, details: None, runs, events }
    }

    fn wide(area: Rect, meters: Rect) -> Self {
        let mut all = Stack { area };
        let rule = all.take(1);
        let beside = (area.width * 2 / 5).clamp(BESIDE.0, BESIDE.1);
        let (left, right) = (area.width - beside, area.right() - beside + 2);
        let mut main = Stack { area: Rect { width: left, ..all.area } };
        let mut side = Stack { area: Rect { x: right, width: beside - 2, ..all.area } };
        let value = main.take(3);
        let ruling = main.take(4);
        let notes = main.take(2);
        let details = side.take((side.area.height / 3).clamp(6, 10));
        let runs = side.take((side.area.height / 5).clamp(3, 8));
        let (chart, details, events) = (main.area, Some(details), side.area);
        Self { meters, rule, value, ruling, notes, chart, details, runs, events }
    }
}

/// An area that is given away line by line.
#[derive(Clone, Copy, Debug)]
struct Stack {
    area: Rect,
}

impl Stack {
    fn take(&mut self, height: u16) -> Rect {
        let height = height.min(self.area.height);
        let taken = Rect { height, ..self.area };
        self.area = Rect { y: self.area.y + height, height: self.area.height - height, ..self.area };
        taken
    }

    fn take_last(&mut self, height: u16) -> Rect {
        let height = height.min(self.area.height);
        self.area.height -= height;
        Rect { y: self.area.bottom(), height, ..self.area }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_every_size_every_part_has_its_own_place_on_the_screen() {
        for width in (LEAST_WIDTH..=250).step_by(5) {
            for height in LEAST_HEIGHT..=70 {
                for meters in [0, 1, 3, 40] {
                    let area = Rect::new(0, 0, width, height);
                    let Layout { meters, rule, value, ruling, notes, chart, details, runs, events } =
                        Layout::of(area, meters);
                    let parts = [
                        Some(meters),
                        Some(rule),
                        Some(value),
                        Some(ruling),
                        Some(notes),
                        Some(chart),
                        details,
                        Some(runs),
                        Some(events),
                    ];
                    let parts: Vec<Rect> = parts.into_iter().flatten().collect();
                    for (index, part) in parts.iter().enumerate() {
                        assert!(
                            !part.is_empty() && area.union(*part) == area,
                            "{width}×{height}: {index} {part:?}"
                        );
                        let others = parts.iter().skip(index + 1);
                        assert!(
                            others.clone().all(|other| !part.intersects(*other)),
                            "{width}×{height}: {index}"
                        );
                    }
                    assert!(chart.height >= 5, "{width}×{height}: {chart:?}");
                }
            }
        }
    }
}
