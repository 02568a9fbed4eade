//! stub
use settled_protocol::settling::*;
#[derive(Debug)]
pub struct Engine;
#[derive(Debug)]
pub struct Observation {
    pub t_s: f64,
    pub integration_s: Option<f64>,
    pub y: f64,
    pub uv: Option<[f64; 2]>,
}
pub struct Standing {
    pub verdict: Option<Verdict>,
    pub value: Option<Estimate>,
    pub evidence: Evidence,
}
impl Engine {
    pub fn new(_: Criteria, _: Option<f64>, _: f64) -> Self {
        Engine
    }
    pub fn push(&mut self, _: Observation) -> Option<()> {
        None
    }
    pub fn gap(&mut self) {}
    pub fn standing(&self) -> Standing {
        Standing { verdict: None, value: None, evidence: Evidence::default() }
    }
}
pub fn sentence(_: Verdict, _: &Evidence, _: Option<&Estimate>, _: &Criteria, _: &str) -> String {
    String::new()
}
