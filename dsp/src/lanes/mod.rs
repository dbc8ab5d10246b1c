//! Numbers side by side: the solver is written once, for one chain or for four.
//!
//! | type | is | at the three nodes of a step |
//! |---|---|---|
//! | [`One<P>`] | one chain | lanes 1 to 3 of a pack; lane 4 repeats the third |
//! | [`Four<P>`] | four chains | three packs, a chain in each lane |
//!
//! A pack `P` is four `f64`: [`wide::f64x4`] on any processor, or [`V3`] with AVX2 and FMA where those were found. What is one
//! value per chain (a state, a part's value) has the type [`Number::Lane`]: `f64` for one chain, a pack for four.

mod pack;
#[cfg(target_arch = "x86_64")]
mod v3;

use crate::radau::{self, Map};
pub(crate) use pack::{Pack, Task};
use std::fmt::Debug;
use std::ops::{Add, Div, Mul, Neg, Sub};
#[cfg(target_arch = "x86_64")]
pub(crate) use v3::V3;

/// Most chains side by side.
pub(crate) const MOST_CHAINS: usize = 4;

/// Elementwise arithmetic.
pub(crate) trait Number:
    Copy
    + Debug
    + Default
    + Send
    + Sync
    + 'static
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
{
    /// One value per chain.
    type Lane: Number<Lane = Self::Lane>;

    fn splat(x: f64) -> Self;
    /// The same at all nodes.
    fn each(x: Self::Lane) -> Self;
    /// `self·a + b`.
    fn mul_add(self, a: Self, b: Self) -> Self;
    fn max(self, other: Self) -> Self;
    fn min(self, other: Self) -> Self;
    fn abs(self) -> Self;
    /// `e^self`, see [`pack::exp`].
    fn exp(self) -> Self;
    /// Where self is above `other`, `yes`, else `no`.
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self;
    /// Whether self is above `other` anywhere.
    fn any_above(self, other: Self) -> bool;
    /// The largest of all.
    fn largest(self) -> f64;
    fn is_finite(self) -> bool;
    /// A formula that is seldom needed, number by number.
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self;
}

/// A quantity at the three nodes of a step.
pub(crate) trait Course: Number {
    /// Chains side by side.
    const CHAINS: usize;

    /// See [`Pack::with`].
    fn with<T: Task>(task: T) -> T::Result;

    fn of(nodes: [Self::Lane; 3]) -> Self;
    fn nodes(self) -> [Self::Lane; 3];
    /// What it ends at, at all nodes.
    #[inline(always)]
    fn end(self) -> Self {
        Self::each(self.nodes()[2])
    }
    /// From the nodes of every chain.
    fn gather(chain: impl FnMut(usize) -> radau::Nodes) -> Self;
    /// From a value of every chain.
    fn lane(chain: impl FnMut(usize) -> f64) -> Self::Lane;
    /// Of one chain.
    fn chain(lane: Self::Lane, chain: usize) -> f64;
    /// Puts another value in one chain's place.
    fn set(lane: &mut Self::Lane, chain: usize, value: f64);
}

/// A linear map from nodes to nodes, by columns.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Grid<C>(pub(crate) [C; 3]);

impl<C: Course> Grid<C> {
    /// From the map of every chain.
    pub(crate) fn gather(mut chain: impl FnMut(usize) -> Map) -> Self {
        Self(std::array::from_fn(|column| C::gather(|n| chain(n).map(|row| row[column]))))
    }

    /// Of the same constants in every chain.
    #[inline(always)]
    pub(crate) fn constant(map: &Map) -> Self {
        let [x, y, z] = map;
        Self([
            C::of([C::Lane::splat(x[0]), C::Lane::splat(y[0]), C::Lane::splat(z[0])]),
            C::of([C::Lane::splat(x[1]), C::Lane::splat(y[1]), C::Lane::splat(z[1])]),
            C::of([C::Lane::splat(x[2]), C::Lane::splat(y[2]), C::Lane::splat(z[2])]),
        ])
    }

    #[inline(always)]
    pub(crate) fn apply(&self, x: C) -> C {
        let [a, b, c] = x.nodes();
        self.0[0].mul_add(C::each(a), self.0[1].mul_add(C::each(b), self.0[2] * C::each(c)))
    }

    /// Its columns scaled: `M·diag(x)`.
    #[inline(always)]
    pub(crate) fn scaled(&self, x: C) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, x.nodes());
        Self([a * C::each(x), b * C::each(y), c * C::each(z)])
    }

    #[inline(always)]
    pub(crate) fn plus_identity(mut self) -> Self {
        let (zero, one) = (C::Lane::splat(0.0), C::Lane::splat(1.0));
        self.0[0] = self.0[0] + C::of([one, zero, zero]);
        self.0[1] = self.0[1] + C::of([zero, one, zero]);
        self.0[2] = self.0[2] + C::of([zero, zero, one]);
        self
    }

    #[inline(always)]
    pub(crate) fn times(&self, other: &Self) -> Self {
        let [a, b, c] = other.0;
        Self([self.apply(a), self.apply(b), self.apply(c)])
    }

    #[inline(always)]
    pub(crate) fn plus(&self, other: &Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a + x, b + y, c + z])
    }

    #[inline(always)]
    pub(crate) fn minus(&self, other: &Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a - x, b - y, c - z])
    }

    /// By cofactors.
    #[inline(always)]
    pub(crate) fn inverse(&self) -> Self {
        let (a, b, c) = (self.0[0].nodes(), self.0[1].nodes(), self.0[2].nodes());
        let (x, y, z) = (cross(&b, &c), cross(&c, &a), cross(&a, &b));
        let determinant = dot::<C>(&a, &x);
        let per_determinant = C::each(C::Lane::splat(1.0) / determinant);
        Self([
            C::of([x[0], y[0], z[0]]) * per_determinant,
            C::of([x[1], y[1], z[1]]) * per_determinant,
            C::of([x[2], y[2], z[2]]) * per_determinant,
        ])
    }
}

#[inline(always)]
fn cross<L: Number>(x: &[L; 3], y: &[L; 3]) -> [L; 3] {
    [x[1] * y[2] - x[2] * y[1], x[2] * y[0] - x[0] * y[2], x[0] * y[1] - x[1] * y[0]]
}

/// `row·x`.
#[inline(always)]
pub(crate) fn dot<C: Course>(row: &[C::Lane; 3], x: &[C::Lane; 3]) -> C::Lane {
    row[0].mul_add(x[0], row[1].mul_add(x[1], row[2] * x[2]))
}

impl Number for f64 {
    type Lane = Self;

    #[inline(always)]
    fn splat(x: f64) -> Self {
        x
    }
    #[inline(always)]
    fn each(x: Self) -> Self {
        x
    }
    #[inline(always)]
    fn mul_add(self, a: Self, b: Self) -> Self {
        // Without FMA in every processor, the library's fused form is a call.
        self * a + b
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        if self > other { self } else { other }
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        if self < other { self } else { other }
    }
    #[inline(always)]
    fn abs(self) -> Self {
        f64::abs(self)
    }
    #[inline(always)]
    fn exp(self) -> Self {
        pack::exp(wide::f64x4::splat(self)).to_array()[0]
    }
    #[inline(always)]
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self {
        if self > other { yes } else { no }
    }
    #[inline(always)]
    fn any_above(self, other: Self) -> bool {
        self > other
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self
    }
    #[inline(always)]
    fn is_finite(self) -> bool {
        f64::is_finite(self)
    }
    #[inline(always)]
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self {
        f(args)
    }
}

/// One chain: the three nodes and, again, the third.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct One<P>(P);

/// Four chains: at each node a pack.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Four<P>([P; 3]);

macro_rules! elementwise {
    ($($operator:ident $method:ident),*) => {$(
        impl<P: Pack> $operator for One<P> {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                Self($operator::$method(self.0, other.0))
            }
        }
        impl<P: Pack> $operator for Four<P> {
            type Output = Self;
            #[inline(always)]
            fn $method(self, other: Self) -> Self {
                let ([a, b, c], [x, y, z]) = (self.0, other.0);
                Self([$operator::$method(a, x), $operator::$method(b, y), $operator::$method(c, z)])
            }
        }
    )*};
}
elementwise!(Add add, Sub sub, Mul mul, Div div);

impl<P: Pack> Neg for One<P> {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

impl<P: Pack> Neg for Four<P> {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        let [a, b, c] = self.0;
        Self([-a, -b, -c])
    }
}

impl<P: Pack> Number for One<P> {
    type Lane = f64;

    #[inline(always)]
    fn splat(x: f64) -> Self {
        Self(P::splat(x))
    }
    #[inline(always)]
    fn each(x: f64) -> Self {
        Self(P::splat(x))
    }
    #[inline(always)]
    fn mul_add(self, a: Self, b: Self) -> Self {
        Self(self.0.mul_add(a.0, b.0))
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }
    #[inline(always)]
    fn abs(self) -> Self {
        Self(self.0.abs())
    }
    #[inline(always)]
    fn exp(self) -> Self {
        Self(self.0.exp())
    }
    #[inline(always)]
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self {
        Self(self.0.where_above(other.0, yes.0, no.0))
    }
    #[inline(always)]
    fn any_above(self, other: Self) -> bool {
        self.0.any_above(other.0)
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.0.largest()
    }
    #[inline(always)]
    fn is_finite(self) -> bool {
        self.0.is_finite()
    }
    #[inline(always)]
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self {
        Self(P::rarely(args.map(|x| x.0), f))
    }
}

impl<P: Pack> Course for One<P> {
    const CHAINS: usize = 1;

    #[inline(always)]
    fn with<T: Task>(task: T) -> T::Result {
        P::with(task)
    }

    #[inline(always)]
    fn of([a, b, c]: [f64; 3]) -> Self {
        Self(P::of([a, b, c, c]))
    }
    #[inline(always)]
    fn nodes(self) -> [f64; 3] {
        let [a, b, c, _] = self.0.array();
        [a, b, c]
    }
    #[inline(always)]
    fn gather(mut chain: impl FnMut(usize) -> radau::Nodes) -> Self {
        Self::of(chain(0))
    }
    fn lane(mut chain: impl FnMut(usize) -> f64) -> f64 {
        chain(0)
    }
    #[inline(always)]
    fn chain(lane: f64, _: usize) -> f64 {
        lane
    }
    #[inline(always)]
    fn set(lane: &mut f64, _: usize, value: f64) {
        *lane = value;
    }
}

impl<P: Pack> Number for Four<P> {
    type Lane = P;

    #[inline(always)]
    fn splat(x: f64) -> Self {
        Self([P::splat(x); 3])
    }
    #[inline(always)]
    fn each(x: P) -> Self {
        Self([x; 3])
    }
    #[inline(always)]
    fn mul_add(self, a: Self, b: Self) -> Self {
        let ([p, q, r], [x, y, z], [s, t, u]) = (self.0, a.0, b.0);
        Self([p.mul_add(x, s), q.mul_add(y, t), r.mul_add(z, u)])
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a.max(x), b.max(y), c.max(z)])
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a.min(x), b.min(y), c.min(z)])
    }
    #[inline(always)]
    fn abs(self) -> Self {
        let [a, b, c] = self.0;
        Self([a.abs(), b.abs(), c.abs()])
    }
    #[inline(always)]
    fn exp(self) -> Self {
        let [a, b, c] = self.0;
        Self([a.exp(), b.exp(), c.exp()])
    }
    #[inline(always)]
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        let ([k, l, m], [p, q, r]) = (yes.0, no.0);
        Self([a.where_above(x, k, p), b.where_above(y, l, q), c.where_above(z, m, r)])
    }
    #[inline(always)]
    fn any_above(self, other: Self) -> bool {
        self.0[0].any_above(other.0[0]) || self.0[1].any_above(other.0[1]) || self.0[2].any_above(other.0[2])
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        self.0[0].max(self.0[1]).max(self.0[2]).largest()
    }
    #[inline(always)]
    fn is_finite(self) -> bool {
        (self.0[0] + self.0[1] + self.0[2]).is_finite()
    }
    #[inline(always)]
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self {
        Self(std::array::from_fn(|m| P::rarely(args.map(|x| x.0[m]), &f)))
    }
}

impl<P: Pack> Course for Four<P> {
    const CHAINS: usize = 4;

    #[inline(always)]
    fn with<T: Task>(task: T) -> T::Result {
        P::with(task)
    }

    #[inline(always)]
    fn of(nodes: [P; 3]) -> Self {
        Self(nodes)
    }
    #[inline(always)]
    fn nodes(self) -> [P; 3] {
        self.0
    }
    #[inline(always)]
    fn gather(mut chain: impl FnMut(usize) -> radau::Nodes) -> Self {
        let all: [radau::Nodes; 4] = std::array::from_fn(&mut chain);
        Self(std::array::from_fn(|m| P::of(all.map(|nodes| nodes[m]))))
    }
    fn lane(chain: impl FnMut(usize) -> f64) -> P {
        P::of(std::array::from_fn(chain))
    }
    #[inline(always)]
    fn chain(lane: P, chain: usize) -> f64 {
        lane.array()[chain]
    }
    #[inline(always)]
    fn set(lane: &mut P, chain: usize, value: f64) {
        let mut all = lane.array();
        all[chain] = value;
        *lane = P::of(all);
    }
}
