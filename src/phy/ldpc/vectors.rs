//! Runs the decoder's loops with the vector instructions that the machine has.
//!
//! Each loop is a type of its own, whose method the compiler surely puts into a function made for
//! the instructions; of a large closure that would not be sure. Knows nothing of what is computed.

use pulp::{Arch, Simd, WithSimd};

/// A loop over plain arrays. Its method must be `#[inline(always)]`, and all that it calls.
pub(super) trait VectorLoop {
    type Output;
    fn run(self) -> Self::Output;
}

/// Vector instructions to decode with. What a word decodes to does not depend on them.
#[derive(Clone, Copy, Debug)]
pub struct Vectors(Option<Arch>);

impl Vectors {
    /// The widest instructions that the machine has, found at run time.
    pub fn widest() -> Self {
        Self(Some(Arch::new()))
    }

    /// Those that every machine of this kind has.
    pub const fn portable() -> Self {
        Self(None)
    }

    /// All that the machine has, the widest first, the portable ones last.
    pub fn all() -> Vec<Self> {
        let mut all = vec![Self::widest()];
        #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
        if let (Arch::V4(_), Some(avx2)) = (Arch::new(), pulp::x86::V3::try_new()) {
            all.push(Self(Some(Arch::V3(avx2))));
        }
        all.push(Self::portable());
        all
    }

    /// What they are called.
    pub const fn name(self) -> &'static str {
        match self.0 {
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            Some(Arch::V4(_)) => "AVX-512",
            #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
            Some(Arch::V3(_)) => "AVX2",
            #[cfg(target_arch = "aarch64")]
            Some(Arch::Neon(_)) => "NEON",
            _ => "portable",
        }
    }

    /// Bytes of a register.
    pub(super) fn bytes(self) -> usize {
        // Every machine of today has sixteen without further instructions.
        self.0.map_or(1, |arch| arch.dispatch(Bytes)).max(16)
    }

    /// Does the work.
    #[inline]
    pub(super) fn run<L: VectorLoop>(self, work: L) -> L::Output {
        match self.0 {
            Some(arch) => arch.dispatch(Inlined(work)),
            None => work.run(),
        }
    }
}

/// Finds the bytes of a register.
struct Bytes;

impl WithSimd for Bytes {
    type Output = usize;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> usize {
        S::U8_LANES
    }
}

struct Inlined<L>(L);

impl<L: VectorLoop> WithSimd for Inlined<L> {
    type Output = L::Output;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> L::Output {
        self.0.run()
    }
}
