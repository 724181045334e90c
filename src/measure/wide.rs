//! Loops over long slices, compiled anew for processors whose registers hold four numbers (x86-64-v3) or eight (x86-64-v4) and run
//! so where they do. The same additions and multiplications in the same order, none of them fused: the same bits on every machine.

use std::ops::{Deref, DerefMut};
use std::sync::LazyLock;

use pulp::Arch;

/// What this processor can do.
pub(super) static PROCESSOR: LazyLock<Arch> = LazyLock::new(Arch::new);

/// Makes a function `$name` that runs `$loops` for this processor. Only what is inlined is compiled anew, so `$loops` and what it
/// calls have `#[inline(always)]`.
macro_rules! wide {
    ($visible:vis fn $name:ident<$life:lifetime $(, const $n:ident: usize)?>($($argument:ident: $type:ty),*) -> $output:ty = $loops:path) => {
        $visible fn $name<$life $(, const $n: usize)?>($($argument: $type),*) -> $output {
            struct Call<$life $(, const $n: usize)?>($($type),*);
            impl<$life $(, const $n: usize)?> pulp::WithSimd for Call<$life $(, $n)?> {
                type Output = $output;
                #[inline(always)]
                fn with_simd<S: pulp::Simd>(self, _: S) -> $output {
                    let Self($($argument),*) = self;
                    $loops($($argument),*)
                }
            }
            $crate::measure::wide::PROCESSOR.dispatch(Call($($argument),*))
        }
    };
}
pub(super) use wide;

/// Numbers beside each other that are worked on at once.
pub(super) const LANES: usize = 8;

pub(super) type Lanes = [f64; LANES];

/// `f` of every lane.
#[inline(always)]
pub(super) fn per_lane(f: impl Fn(usize) -> f64) -> Lanes {
    [f(0), f(1), f(2), f(3), f(4), f(5), f(6), f(7)]
}

/// Sum, lane by lane.
#[inline(always)]
pub(super) fn sum(all: &[f64]) -> f64 {
    let (whole, rest) = all.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for x in whole {
        sums = per_lane(|l| sums[l] + x[l]);
    }
    sums.iter().chain(rest).sum()
}

/// Bytes of a line of the cache, as long as the widest register. What begins on a line is loaded from one line at a time, what does
/// not from two.
const LINE: usize = 64;

/// Numbers of which the first lies at the beginning of a line.
#[derive(Debug)]
pub(super) struct Aligned<T> {
    /// With room for the numbers that lie before the first.
    all: Vec<T>,
    len: usize,
}

impl<T: Copy + Default> Aligned<T> {
    /// `len` zeros.
    pub fn zeros(len: usize) -> Self {
        let room = LINE / size_of::<T>() - 1;
        Self {
            all: vec![T::default(); len + room],
            len,
        }
    }

    /// Place of the first number.
    #[inline(always)]
    fn first(&self) -> usize {
        let room = self.all.len() - self.len;
        self.all.as_ptr().align_offset(LINE).min(room)
    }
}

impl<T: Copy + Default> Clone for Aligned<T> {
    /// The same numbers: where a line begins elsewhere they move.
    fn clone(&self) -> Self {
        let mut out = Self::zeros(self.len);
        out.copy_from_slice(self);
        out
    }
}

impl<T: Copy + Default> Deref for Aligned<T> {
    type Target = [T];

    #[inline(always)]
    fn deref(&self) -> &[T] {
        let first = self.first();
        &self.all[first..first + self.len]
    }
}

impl<T: Copy + Default> DerefMut for Aligned<T> {
    #[inline(always)]
    fn deref_mut(&mut self) -> &mut [T] {
        let first = self.first();
        &mut self.all[first..first + self.len]
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn aligned_numbers_begin_on_a_line_and_survive_a_move() {
        for len in [1, 7, 8, 1000] {
            let mut a = super::Aligned::<f64>::zeros(len);
            a[len - 1] = 3.0;
            let b = a.clone();
            let moved = Box::new(b);
            assert_eq!((moved.len(), moved.as_ptr() as usize % 64), (len, 0));
            assert_eq!(**moved, *a);
            let (last, others) = a.split_last().unwrap();
            assert!(last.to_bits() == 3.0f64.to_bits() && others.iter().all(|a| a.to_bits() == 0));
        }
    }

    #[cfg(target_arch = "x86_64")]
    #[test]
    fn wide_registers_are_used_where_there_are_any() {
        let four = std::is_x86_feature_detected!("avx2")
            && std::is_x86_feature_detected!("fma")
            && std::is_x86_feature_detected!("bmi2")
            && std::is_x86_feature_detected!("lzcnt");
        let narrow = matches!(*super::PROCESSOR, pulp::Arch::Scalar);
        assert!(!(four && narrow), "{:?}", *super::PROCESSOR);
    }

    #[inline(always)]
    fn add_squares_of(a: &[f64], sums: &mut [f64]) {
        for (a, sum) in a.iter().zip(sums) {
            *sum += a * a;
        }
    }
    wide!(fn add_squares<'a>(a: &'a [f64], sums: &'a mut [f64]) -> () = add_squares_of);

    #[test]
    fn products_and_sums_are_rounded_one_by_one() {
        // (1 + 2^-30)^2 = 1 + 2^-29 + 2^-60: a fused sum would keep the last term
        let a = vec![1.0 + 1.0 / f64::from(1 << 30); 1000];
        let mut sums = vec![-1.0; 1000];
        add_squares(&a, &mut sums);
        let rounded = 2.0 / f64::from(1 << 30);
        assert!(sums.iter().all(|s: &f64| s.to_bits() == rounded.to_bits()));
    }
}
