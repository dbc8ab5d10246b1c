//! Four numbers in one register, for processors with AVX2 and FMA (level 3 of the x86-64 psABI).
//!
//! One program serves every processor: these operations are only reached from [`super::V3`]'s own engine, which is built after
//! the processor has been asked. They are inlined into functions that have the features enabled; anywhere else they would be
//! calls, slow but right.

use super::{Number, Pack, Task};
use std::arch::x86_64::{
    __m256d, _CMP_GT_OQ, _mm256_add_epi64, _mm256_add_pd, _mm256_andnot_pd, _mm256_blendv_pd, _mm256_castpd_si256,
    _mm256_castsi256_pd, _mm256_cmp_pd, _mm256_div_pd, _mm256_fmadd_pd, _mm256_loadu_pd, _mm256_max_pd, _mm256_min_pd,
    _mm256_movemask_pd, _mm256_mul_pd, _mm256_set1_epi64x, _mm256_set1_pd, _mm256_slli_epi64, _mm256_storeu_pd,
    _mm256_sub_pd, _mm256_xor_pd,
};
use std::ops::{Add, Div, Mul, Neg, Sub};

/// Four `f64` in one register.
#[derive(Clone, Copy, Debug)]
pub(crate) struct V3(__m256d);

impl V3 {
    /// Whether this processor can.
    pub(crate) fn is_here() -> bool {
        std::is_x86_feature_detected!("avx2") && std::is_x86_feature_detected!("fma")
    }
}

impl Default for V3 {
    #[inline(always)]
    fn default() -> Self {
        Self::splat(0.0)
    }
}

/// One instruction on registers.
macro_rules! does {
    ($instruction:expr) => {{
        // SAFETY: the engine of this type is only built where AVX2 and FMA were found (`V3::is_here`); the instructions touch
        // registers only.
        unsafe { $instruction }
    }};
}

macro_rules! operators {
    ($($operator:ident $method:ident $instruction:ident),*) => {$(
        impl $operator for V3 {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                Self(does!($instruction(self.0, other.0)))
            }
        }
    )*};
}
operators!(Add add _mm256_add_pd, Sub sub _mm256_sub_pd, Mul mul _mm256_mul_pd, Div div _mm256_div_pd);

impl Neg for V3 {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        Self(does!(_mm256_xor_pd(self.0, _mm256_set1_pd(-0.0))))
    }
}

impl Pack for V3 {
    #[inline(always)]
    fn of(numbers: [f64; 4]) -> Self {
        // SAFETY: as above; reads the four numbers of the array, unaligned.
        Self(unsafe { _mm256_loadu_pd(numbers.as_ptr()) })
    }
    #[inline(always)]
    fn array(self) -> [f64; 4] {
        let mut numbers = [0.0; 4];
        // SAFETY: as above; writes the four numbers of the array, unaligned.
        unsafe { _mm256_storeu_pd(numbers.as_mut_ptr(), self.0) };
        numbers
    }
    #[inline(always)]
    fn with<T: Task>(task: T) -> T::Result {
        #[target_feature(enable = "avx2,fma")]
        fn inner<T: Task>(task: T) -> T::Result {
            task.run()
        }
        // SAFETY: as above.
        unsafe { inner(task) }
    }
    #[inline(always)]
    fn scaled(self, shifted: Self) -> Self {
        let bits = does!(_mm256_castpd_si256(shifted.0));
        let bits = does!(_mm256_slli_epi64::<52>(_mm256_add_epi64(bits, _mm256_set1_epi64x(1023))));
        self * Self(does!(_mm256_castsi256_pd(bits)))
    }
}

impl Number for V3 {
    type Lane = Self;

    #[inline(always)]
    fn splat(x: f64) -> Self {
        Self(does!(_mm256_set1_pd(x)))
    }
    #[inline(always)]
    fn each(x: Self) -> Self {
        x
    }
    #[inline(always)]
    fn mul_add(self, a: Self, b: Self) -> Self {
        Self(does!(_mm256_fmadd_pd(self.0, a.0, b.0)))
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        Self(does!(_mm256_max_pd(self.0, other.0)))
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        Self(does!(_mm256_min_pd(self.0, other.0)))
    }
    #[inline(always)]
    fn abs(self) -> Self {
        Self(does!(_mm256_andnot_pd(_mm256_set1_pd(-0.0), self.0)))
    }
    #[inline(always)]
    fn exp(self) -> Self {
        super::pack::exp(self)
    }
    #[inline(always)]
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self {
        Self(does!(_mm256_blendv_pd(no.0, yes.0, _mm256_cmp_pd::<_CMP_GT_OQ>(self.0, other.0))))
    }
    #[inline(always)]
    fn any_above(self, other: Self) -> bool {
        does!(_mm256_movemask_pd(_mm256_cmp_pd::<_CMP_GT_OQ>(self.0, other.0))) != 0
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        let [a, b, c, d] = self.array();
        Number::max(Number::max(a, b), Number::max(c, d))
    }
    #[inline(always)]
    fn is_finite(self) -> bool {
        let [a, b, c, d] = (self * Self::splat(0.0)).array();
        (a + b) + (c + d) == 0.0
    }
    #[inline(always)]
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self {
        let args = args.map(Self::array);
        Self::of(std::array::from_fn(|n| f(args.map(|x| x[n]))))
    }
}
