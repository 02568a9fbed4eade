//! Do colours span what a matrix needs? Three of them must point in three directions.

/// The sine of the angle to what others span below which a colour adds nothing: noise of the meters would be swelled fifty times.
/// Red, green and blue of any display are beyond 0.3. Engineering judgement.
const LEAST_SINE: f64 = 0.02;

/// Directions that matter: X, Y, Z.
const NEEDED: usize = 3;

/// Whether three of the vectors are independent; else which ones add nothing to those that are.
///
/// Gram and Schmidt's method on unit vectors: the one that stands out most comes next.
pub(super) fn check(vectors: &[[f64; 3]]) -> Result<(), Vec<usize>> {
    let mut rests: Vec<[f64; 3]> = vectors.iter().map(|vector| unit(*vector)).collect();
    let mut chosen = Vec::new();
    while chosen.len() < NEEDED {
        let lengths = rests.iter().map(|rest| length(*rest)).enumerate();
        let best =
            lengths.filter(|(index, _)| !chosen.contains(index)).max_by(|(_, a), (_, b)| a.total_cmp(b));
        let Some((index, _)) = best.filter(|(_, sine)| *sine >= LEAST_SINE) else {
            return Err((0..vectors.len()).filter(|index| !chosen.contains(index)).collect());
        };
        chosen.push(index);
        let direction = rests.get(index).map_or([0.0; 3], |rest| unit(*rest));
        for rest in &mut rests {
            let along: f64 = rest.iter().zip(direction).map(|(value, one)| value * one).sum();
            *rest = [0, 1, 2].map(|axis| rest[axis] - along * direction[axis]);
        }
    }
    Ok(())
}

fn length(vector: [f64; 3]) -> f64 {
    vector.iter().fold(0.0, |length: f64, value| length.hypot(*value))
}

/// The vector at length 1; a vector of nothing stays one.
fn unit(vector: [f64; 3]) -> [f64; 3] {
    let largest = vector.iter().fold(0.0, |largest: f64, value| largest.max(value.abs()));
    if largest == 0.0 {
        return vector;
    }
    let scaled = vector.map(|value| value / largest);
    let length = length(scaled);
    scaled.map(|value| value / length)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn those_that_add_nothing_are_named() {
        let (red, green, blue) = ([41.0, 21.0, 2.0], [36.0, 72.0, 12.0], [18.0, 7.0, 95.0]);
        let yellow = [77.0, 93.0, 14.0];
        assert_eq!(check(&[red, green, blue]), Ok(()));
        assert_eq!(check(&[yellow, red, green, blue]), Ok(()));
        assert_eq!(check(&[red, green, yellow]).unwrap_err().len(), 1);
        let greys = [[95.0, 100.0, 108.0], [47.5, 50.0, 54.0], [9.5, 10.0, 10.8]];
        assert_eq!(check(&greys).unwrap_err().len(), 2);
        assert_eq!(check(&[]), Err(vec![]));
        assert_eq!(check(&[[0.0; 3], red, green]), Err(vec![0]));
    }

    #[test]
    fn huge_and_tiny_colours_point_like_others() {
        assert_eq!(check(&[[1e300, 0.0, 0.0], [0.0, 1e-300, 0.0], [0.0, 0.0, 1.0]]), Ok(()));
    }
}
