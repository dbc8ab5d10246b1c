//! The limit on a junction's steps.

use crate::lanes::Number;

/// Limits the step of a junction voltage so that Newton neither overflows upwards nor crawls: the rule of circuit
/// simulators (Nagel, `SPICE2`, 1975, from memory). `scale` is `n·V_T`, `critical` the voltage of greatest curvature.
#[inline(always)]
pub(crate) fn limited<X: Number>(old: X, new: X, scale: X, critical: X) -> X {
    let too_far = ((new - old).abs() - (scale + scale)).min(new - critical);
    if too_far.any_above(X::splat(0.0)) { curbed(old, new, scale, critical) } else { new }
}

#[cold]
#[inline(never)]
fn curbed<X: Number>(old: X, new: X, scale: X, critical: X) -> X {
    X::rarely([old, new, scale, critical], |[old, new, scale, critical]| {
        if new <= critical || (new - old).abs() <= 2.0 * scale {
            return new;
        }
        if old > 0.0 {
            let stretch = 1.0 + (new - old) / scale;
            if stretch > 0.0 { old + scale * stretch.ln() } else { critical }
        } else {
            scale * (new / scale).ln()
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limited_step_keeps_its_sign_and_small_steps_pass() {
        let (scale, critical) = (0.026, 0.25);
        assert_eq!(limited(0.2, 0.21, scale, critical), 0.21);
        assert_eq!(limited(0.3, -4.0, scale, critical), -4.0);
        let up = limited(0.2, 5.0, scale, critical);
        assert!(up > 0.2 && up < 0.4, "{up}");
        let start = limited(-1.0, 5.0, scale, critical);
        assert!(start > 0.0 && start < 0.3, "{start}");
    }
}
