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
    /// The matrix swells errors beyond use, has no inverse, or mirrors colours.
    Absurd {
        /// Its condition, in the Frobenius norm.
        condition: f64,
    },
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

impl fmt::Display for Underived {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew { needed, found } => write!(f, "the method needs {needed} colours, not {found}"),
            Self::TooMany { found } => write!(f, "at most {MOST_COLOURS} colours, not {found}"),
            Self::Missing(name) => {
                write!(f, "the four-colour method needs white, red, green and blue: {name} is missing")
            }
            Self::Twice(name) => write!(f, "two colours are called {name:?}"),
            Self::Dark { colour, who } => {
                write!(f, "the {who} saw no light with a chromaticity of {colour:?}: show it brighter")
            }
            Self::Dependent { colours, who } => {
                let names = colours.join(", ");
                write!(
                    f,
                    "as the {who} saw them, {names} are but mixtures of the others: three independent colours are needed"
                )
            }
            Self::NoMixture { without, who } => write!(
                f,
                "as the {who} saw it, white has nothing of {without}: were the colours shown in the order that they are named?"
            ),
            Self::NotFinite => f.write_str("the matrix is not finite"),
            Self::Absurd { condition } => write!(
                f,
                "the matrix is no correction of a colorimeter (condition {condition:.3e}): it swells errors, mirrors colours or is far too large or small"
            ),
            Self::Worse { before, after } => write!(
                f,
                "it would make readings worse: mean Δu′v′ {before:.5} without it, {after:.5} with it"
            ),
            Self::NoMatrix => f.write_str("a correction that is given needs params.matrix"),
            Self::NotFromColours => {
                f.write_str("params.matrix is not what params.colours give by this method")
            }
        }
    }
}

impl std::error::Error for Underived {}
