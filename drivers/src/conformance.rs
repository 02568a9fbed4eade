//! What every driver must do, as a suite.
