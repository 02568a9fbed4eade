//! Where on the screen something is.

/// A place on the screen, from its middle (0) to its edges (±1): to the right, and down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    right: f64,
    down: f64,
}

impl Place {
    /// The middle, where windows are.
    pub(super) const MIDDLE: Self = Self { right: 0.0, down: 0.0 };

    /// The place at these shares of width and height from the top left, held within 0 to 1; what isn't a number counts as the middle.
    pub(super) fn of([x, y]: [f64; 2]) -> Self {
        let from_middle =
            |share: f64| if share.is_nan() { 0.0 } else { (2.0 * share - 1.0).clamp(-1.0, 1.0) };
        Self { right: from_middle(x), down: from_middle(y) }
    }

    /// How far out it is: the root of the area of the smallest window that holds it. Windows are centred and have the screen's shape,
    /// so that one of area A reaches √A of the way to each edge.
    pub(super) fn reach(self) -> f64 {
        self.right.abs().max(self.down.abs())
    }

    /// The square of the distance from the middle over that of a corner, each edge being as far as the others: 0 to 1.
    pub(super) fn towards_corner(self) -> f64 {
        (self.right.powi(2) + self.down.powi(2)) / 2.0
    }

    /// From −1/2 at the left edge to 1/2 at the right one.
    pub(super) fn across(self) -> f64 {
        self.right / 2.0
    }
}
