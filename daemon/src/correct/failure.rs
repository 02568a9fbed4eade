//! Why there is no correction: in words that say what to do.

use std::fmt;

use settled_protocol::correction::MOST_COLOURS;

/// Why paired readings, or a matrix, make no correction.
#[derive(Clone, Debug, PartialEq)]
pub enum Underived {
    /// Fewer colours than the method needs.
    TooFew {
        /// So many are needed.
        needed: usize,
        /// So many there are.
        found: usize,
    },
    /// More colours than anybody needs.
    TooMany {
        /// So many there are.
        found: usize,
    },
    /// The four-colour method misses one of its colours.
    Missing(&'static str),
    /// Two colours have one name.
    Twice(String),
    /// A meter saw no light of a colour, or none with a chromaticity.
    Dark {
        /// The colour.
        colour: String,
        /// `meter` or `reference`.
        who: &'static str,
        /// The luminance that it gave, in the unit of Y.
        y: f64,
    },
    /// Colours that are mixtures of the others: there are not three independent ones.
    Dependent {
        /// The colours that add nothing.
        colours: Vec<String>,
        /// `meter` or `reference`.
        who: &'static str,
    },
    /// White is no mixture of red, green and blue.
    NoMixture {
        /// The primary of which white has none.
        without: String,
        /// `meter` or `reference`.
        who: &'static str,
    },
    /// The result can't be written down.
    NotFinite,
    /// No colorimeter can want the matrix.
    Absurd(Absurdity),
    /// Readings would be further from the reference than without it.
    Worse {
        /// Mean Δu′v′ without it.
        before: f64,
        /// Mean Δu′v′ with it.
        after: f64,
    },
    /// A given matrix is missing.
    NoMatrix,
    /// A matrix came with colours that give another.
    NotFromColours,
}

/// Why no colorimeter can want a matrix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Absurdity {
    /// It has no inverse: what the meter saw could not be had back.
    NoInverse,
    /// It mirrors colours: its determinant is negative.
    Mirrors,
    /// It makes far too much of light: its norm.
    TooLarge(f64),
    /// It makes far too little of light: its norm.
    TooSmall(f64),
    /// It swells the meter's errors beyond use: its condition, in the Frobenius norm.
    Swells(f64),
    /// It makes darkness of light.
    Darkens,
}

impl fmt::Display for Absurdity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoInverse => f.write_str("it has no inverse"),
            Self::Mirrors => f.write_str("it mirrors colours (its determinant is negative)"),
            Self::TooLarge(norm) => write!(f, "it is far too large (norm {norm:.3e}; none at all has 1.7)"),
            Self::TooSmall(norm) => write!(f, "it is far too small (norm {norm:.3e}; none at all has 1.7)"),
            Self::Swells(condition) => write!(
                f,
                "it swells the meter's errors (condition {condition:.3e}; filters of a colorimeter give 3 to 6)"
            ),
            Self::Darkens => f.write_str("it makes darkness of light"),
        }
    }
}

impl fmt::Display for Underived {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew { needed, found } => write!(f, "the method needs {needed} colours, not {found}"),
            Self::TooMany { found } => write!(f, "at most {MOST_COLOURS} colours, not {found}"),
            Self::Missing(name) => {
                write!(f, "the four-colour method needs white, red, green and blue: {name} is missing")
            }
            Self::Twice(name) => write!(f, "two colours are called {name:?}"),
            Self::Dark { colour, who, y } if *y < 0.0 => write!(
                f,
                "the {who} gave a negative luminance of {colour:?} ({y:.3e}): its zero is off, or it looks at no light"
            ),
            Self::Dark { colour, who, .. } => {
                write!(f, "the {who} saw no light with a chromaticity of {colour:?}: show it brighter")
            }
            Self::Dependent { colours, who } => {
                let (names, are) = (colours.join(", "), if colours.len() == 1 { "is" } else { "are" });
                let mixtures = if colours.len() == 1 { "a mixture" } else { "mixtures" };
                write!(
                    f,
                    "as the {who} saw them, {names} {are} but {mixtures} of the others: three independent colours are needed"
                )
            }
            Self::NoMixture { without, who } => write!(
                f,
                "as the {who} saw it, white has nothing of {without}: were the colours shown in the order that they are named?"
            ),
            Self::NotFinite => f.write_str("the matrix is not finite"),
            Self::Absurd(why) => write!(f, "the matrix is no correction of a colorimeter: {why}"),
            Self::Worse { before, after } => write!(
                f,
                "it would make readings worse: mean Δu′v′ {before:.5} without it, {after:.5} with it"
            ),
            Self::NoMatrix => f.write_str("a correction that is given needs a matrix"),
            Self::NotFromColours => f.write_str("the matrix is not what the colours give by this method"),
        }
    }
}

impl std::error::Error for Underived {}
