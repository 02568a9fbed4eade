//! Student's t: JCGM 100:2008 (GUM), Table G.2. Its G.4.1 (Welch & Satterthwaite) isn't used: a window has one standard error a
//! channel, and takes the fewest degrees of freedom of its channels.

use super::{assert_close, number, reference};
use crate::settle::student::Student;

/// As printed, half a unit of the last digit; as computed with scipy, 1e-8.
fn assert_column(member: &str, probability: f64, printed_within: impl Fn(f64) -> f64) {
    let table = reference!("gum.json")[member].take();
    let rows = table.as_array().unwrap();
    assert_eq!(rows.len(), 15);
    let student = Student::of(probability);
    for row in rows {
        let nu = number(row, "nu");
        let found = student.at(nu);
        assert!((found - number(row, "published")).abs() <= printed_within(nu), "{member} {nu}: {found}");
        assert_close(&format!("{member} {nu}"), found, number(row, "computed"), 1e-8);
    }
}

/// Two decimals, three from 100 degrees of freedom on.
fn printed(nu: f64) -> f64 {
    if nu < 100.0 { 0.005 } else { 0.000_5 }
}

#[test]
fn t_factors_are_those_of_table_g2_of_the_gum() {
    assert_column("t_95", 0.5 + 0.95 / 2.0, printed);
    assert_column("t_95_45", 0.5 + 0.9545 / 2.0, printed);
}
