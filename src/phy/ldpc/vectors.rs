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

/// Which instructions to use; the results do not depend on it.
#[derive(Clone, Copy, Debug)]
pub(super) enum Vectors {
    /// The widest that the machine has.
    Widest(Arch),
    /// Those that every machine of this kind has.
    #[cfg(test)]
    Plain,
}

impl Vectors {
    pub(super) fn widest() -> Self {
        Self::Widest(Arch::new())
    }

    /// Does the work.
    #[inline]
    pub(super) fn run<L: VectorLoop>(self, work: L) -> L::Output {
        match self {
            Self::Widest(arch) => arch.dispatch(Inlined(work)),
            #[cfg(test)]
            Self::Plain => work.run(),
        }
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
