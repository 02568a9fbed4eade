//! Leases: a meter for oneself, for a while.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::text::Text;
use crate::time::Timestamp;

/// How long a lease lasts unless it is said otherwise, in s.
pub const USUAL_TTL_S: f64 = 60.0;

/// How long a lease is waited for unless it is said otherwise, in s.
pub const USUAL_WAIT_S: f64 = 60.0;

/// Params of `meter.lease`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeaseParams {
    /// The meter's id.
    pub meter: String,
    /// It is lost unless it is renewed within this time, in s, 1 to 3600; 60 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ttl_s: Option<f64>,
    /// How long to wait for it, in s, up to a day; 60 if absent. With 0 it is given at once, or not at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_s: Option<f64>,
    /// What it is for: shown to everyone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub purpose: Option<Text>,
}

/// Result of `meter.lease` and `meter.renew`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Lease {
    /// The token: whoever knows it has the meter. Goes with every request under this lease.
    pub lease: String,
    /// The meter's id.
    pub meter: String,
    /// It is lost unless it is renewed within this time, in s.
    pub ttl_s: f64,
    /// When it is lost unless it is renewed, UTC.
    pub expires_at: Timestamp,
    /// The same on the boot clock, in s: what counts.
    pub expires_t_s: f64,
}

/// Params of `meter.renew`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RenewParams {
    /// The token.
    pub lease: String,
    /// From now on it lasts for this long, in s, 1 to 3600; as before if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ttl_s: Option<f64>,
}

/// Params of `meter.release`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReleaseParams {
    /// The token.
    pub lease: String,
}

/// Who has a meter for itself, as everyone may know.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Holder {
    /// What the client calls itself, if it has said so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub client: Option<Text>,
    /// The client's process, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pid: Option<u32>,
    /// What it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub purpose: Option<Text>,
    /// Since when.
    pub since: Timestamp,
    /// When it is lost unless it is renewed.
    pub expires_at: Timestamp,
}
