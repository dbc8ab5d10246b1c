//! Drawing lots by number: the same step always draws the same lot, wherever the transport came from.
//!
//! ```text
//!   (step, seed) ──► ten rounds of multiply, swap, XOR ──► 32 bits ──► 0 ≤ lot < 1
//! ```
//! Philox4x32-10, a counter-based generator: J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random
//! numbers: as easy as 1, 2, 3", SC11 (2011), section 3.3 and table 2. It has no state: a jump costs nothing.

/// Multipliers (there, table 2).
const MULTIPLIERS: [u32; 2] = [0xd251_1f53, 0xcd9e_8d57];
/// Weyl steps of the key: the golden ratio and √3 − 1 (there, section 3.3).
const WEYL: [u32; 2] = [0x9e37_79b9, 0xbb67_ae85];
const ROUNDS: usize = 10;

/// Four words from a counter of four words and a key of two.
fn philox(mut counter: [u32; 4], mut key: [u32; 2]) -> [u32; 4] {
    for round in 0..ROUNDS {
        if round > 0 {
            key = [key[0].wrapping_add(WEYL[0]), key[1].wrapping_add(WEYL[1])];
        }
        let first = u64::from(MULTIPLIERS[0]) * u64::from(counter[0]);
        let second = u64::from(MULTIPLIERS[1]) * u64::from(counter[2]);
        counter = [
            (second >> 32) as u32 ^ counter[1] ^ key[0],
            second as u32,
            (first >> 32) as u32 ^ counter[3] ^ key[1],
            first as u32,
        ];
    }
    counter
}

/// The lot of a number under a seed, from 0 to just below 1.
pub fn lot(number: i64, seed: u32) -> f64 {
    let [word, ..] = words(number, seed);
    f64::from(word) / 2f64.powi(32)
}

/// Four random words of a number under a seed.
pub(crate) fn words(number: i64, seed: u32) -> [u32; 4] {
    philox([number as u32, (number >> 32) as u32, 0, 0], [seed, 0])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The known answers that the authors publish with their library (`kat_vectors`, philox4x32 10).
    #[test]
    fn the_generator_gives_its_authors_known_answers() {
        assert_eq!(philox([0; 4], [0; 2]), [0x6627_e8d5, 0xe169_c58d, 0xbc57_ac4c, 0x9b00_dbd8]);
        assert_eq!(philox([u32::MAX; 4], [u32::MAX; 2]), [0x408f_276d, 0x41c8_3b0e, 0xa20b_c7c6, 0x6d54_51fd]);
        assert_eq!(
            philox([0x243f_6a88, 0x85a3_08d3, 0x1319_8a2e, 0x0370_7344], [0xa409_3822, 0x299f_31d0]),
            [0xd16c_fe09, 0x94fd_cceb, 0x5001_e420, 0x2412_6ea1]
        );
    }

    /// Mean and spread of lots that lie even between 0 and 1: ½ and 1/√12, each within five of its own standard errors.
    #[test]
    fn lots_lie_even_and_those_of_neighbours_have_nothing_to_do_with_each_other() {
        let count = 1 << 16;
        let lots: Vec<f64> = (-count / 2..count / 2).map(|n| lot(n, 7)).collect();
        let many = f64::from(1 << 16);
        let mean = lots.iter().sum::<f64>() / many;
        assert!((mean - 0.5).abs() < 5.0 / (12.0 * many).sqrt(), "{mean}");
        let variance = lots.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / many;
        assert!((variance - 1.0 / 12.0).abs() < 5.0 / (180.0 * many).sqrt(), "{variance}");
        let product = lots.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum::<f64>() / many;
        assert!(product.abs() < 5.0 / (12.0 * many.sqrt()), "{product}");
        assert_ne!(lot(3, 7).to_bits(), lot(3, 8).to_bits());
    }
}
