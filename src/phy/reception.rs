//! All data blocks of a frame whose state is known: equalised, phase tracked, decided. The blocks do
//! not depend on each other, so several workers can share them. Knows nothing of what was sent.

use num_complex::{Complex32, Complex64};

use super::constellation::Constellation;
use super::equaliser::Workspace;
use super::frame::FrameLayout;
use super::golay::ga64;
use super::lanes::{correlate, distance, widest};
use super::mcs::{BLOCK_CHIPS, DATA_SYMBOLS_PER_BLOCK};
use super::receiver::{DATA_AT, NEXT_GUARD_AT, Tuned, WINDOW_AT, window_centre};
use super::recording::widen;
use super::tracking::{Line, derotate, mirrored, unwrap, wrap};
use super::workers::{Task, Workers};

/// Blocks that one task takes.
const BLOCKS_A_TASK: usize = 32;
/// Symbols that one task takes.
const SYMBOLS_A_TASK: usize = BLOCKS_A_TASK * DATA_SYMBOLS_PER_BLOCK;

/// The data symbols of a frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Reception {
    /// Equalised, without pi/2 rotation, unit mean power.
    pub symbols: Vec<Complex32>,
    /// Phases in radians that tracking has taken off, each of a stretch of symbols.
    pub phases: Vec<f64>,
    /// Symbols of a stretch.
    pub symbols_per_phase: usize,
    /// Bits of the nearest points, one per octet.
    pub bits: Vec<u8>,
    /// Sum of the squared distances from the nearest points, for each block.
    pub distances: Vec<f64>,
}

/// Equalises all data blocks of a frame with guards and measures their phases.
pub(crate) fn equalise(
    tuned: &Tuned<'_>,
    layout: &FrameLayout,
    workers: &dyn Workers,
) -> (Vec<Complex32>, Vec<f64>) {
    // Pages of zeros from the system are first touched by the workers, who share that cost.
    let mut symbols: Vec<Complex32> = bytemuck::allocation::zeroed_vec(layout.data_symbols());
    let mut phases = vec![0.0; layout.data_blocks];
    let start = layout.data_start();
    let parts = symbols.chunks_mut(SYMBOLS_A_TASK).zip(phases.chunks_mut(BLOCKS_A_TASK));
    let tasks = parts.enumerate().map(|(n, (symbols, phases))| -> Task<'_> {
        Box::new(move || {
            let first = start + n * BLOCKS_A_TASK * BLOCK_CHIPS;
            let mut block = tuned.workspace();
            let blocks = symbols.chunks_exact_mut(DATA_SYMBOLS_PER_BLOCK).zip(phases);
            for (n, (symbols, phase)) in blocks.enumerate() {
                tuned.equalise(first + n * BLOCK_CHIPS, &mut block);
                *phase = finish(&mut block, layout.constellation, symbols);
            }
        })
    });
    workers.run(tasks.collect());
    (symbols, phases)
}

/// Takes the data symbols out of an equalised block, without pi/2 rotation, and measures the block's
/// phase: from the guards, then from guards and decisions.
fn finish(block: &mut Workspace, constellation: Constellation, symbols: &mut [Complex32]) -> f64 {
    const DATA: usize = DATA_SYMBOLS_PER_BLOCK;
    widest(
        #[inline(always)]
        || {
            // Windows begin at multiples of four chips, so that the rotation begins anew in each.
            for quad in block.chips.as_chunks_mut::<4>().0 {
                let [a, b, c, d] = *quad;
                let turned = |z: Complex32| Complex32::new(z.im, -z.re);
                *quad = [a, turned(b), -c, -turned(d)];
            }
            symbols.copy_from_slice(&block.chips[DATA_AT..NEXT_GUARD_AT]);
            let guard = ga64();
            let signs = guard[WINDOW_AT..].iter().chain(&guard[..WINDOW_AT]);
            let guards = block.chips[..DATA_AT].iter().chain(&block.chips[NEXT_GUARD_AT..]);
            let known: Complex32 = guards.zip(signs).map(|(z, sign)| z * f32::from(*sign)).sum();
            let turn = Complex32::from_polar(1.0, -known.arg());
            let mut turned = [Complex32::default(); DATA];
            for (turned, symbol) in turned.iter_mut().zip(symbols.iter()) {
                *turned = symbol * turn;
            }
            let mut decided = [Complex32::default(); DATA];
            constellation.decide_all(&turned, &mut decided);
            let all: Complex64 = correlate(&turned, &decided) + widen(known * turn);
            wrap(f64::from(known.arg()) + all.arg())
        },
    )
}

/// Straight line through the blocks' phases over chips; `None` when there are fewer than two.
pub(crate) fn phase_line(layout: &FrameLayout, phases: &[f64]) -> Option<Line> {
    let unwrapped = unwrap(phases.iter().copied());
    let centres = layout.data_block_ranges().map(|block| window_centre(block.start));
    Line::through(&centres.zip(unwrapped).collect::<Vec<_>>())
}

/// Takes the blocks' phases off (where `track` is set) and decides. `phases` may be empty: then
/// symbols are taken as they are.
pub(crate) fn decide(
    mut symbols: Vec<Complex32>,
    phases: Vec<f64>,
    track: bool,
    constellation: Constellation,
    workers: &dyn Workers,
) -> Reception {
    let per_symbol = constellation.bits_per_symbol();
    let mut bits = vec![0; symbols.len() * per_symbol];
    let mut distances = vec![0.0; symbols.len().div_ceil(DATA_SYMBOLS_PER_BLOCK)];
    let phases_of = &phases;
    let parts = symbols
        .chunks_mut(SYMBOLS_A_TASK)
        .zip(bits.chunks_mut(SYMBOLS_A_TASK * per_symbol))
        .zip(distances.chunks_mut(BLOCKS_A_TASK));
    let tasks = parts.enumerate().map(|(n, ((symbols, bits), distances))| -> Task<'_> {
        Box::new(move || {
            let blocks = symbols
                .chunks_mut(DATA_SYMBOLS_PER_BLOCK)
                .zip(bits.chunks_mut(DATA_SYMBOLS_PER_BLOCK * per_symbol))
                .zip(distances);
            let mut decided = [Complex32::default(); DATA_SYMBOLS_PER_BLOCK];
            for (m, ((symbols, bits), sum)) in blocks.enumerate() {
                let decided = &mut decided[..symbols.len()];
                widest(
                    #[inline(always)]
                    || {
                        if track {
                            track_block(symbols, phases_of, n * BLOCKS_A_TASK + m);
                        }
                        constellation.decide_all(symbols, decided);
                        constellation.demap_all(symbols, bits);
                        *sum = distance(symbols, decided);
                    },
                );
            }
        })
    });
    workers.run(tasks.collect());
    let phases = if track { phases } else { Vec::new() };
    let symbols_per_phase = DATA_SYMBOLS_PER_BLOCK;
    Reception { symbols, phases, symbols_per_phase, bits, distances }
}

/// Takes the phase of block `n` off its symbols, straight from block to block.
#[inline(always)]
fn track_block(symbols: &mut [Complex32], phases: &[f64], n: usize) {
    let Some(own) = phases.get(n).copied() else { return };
    let near =
        |m: Option<usize>| m.and_then(|m| phases.get(m)).map(|phase| own + wrap(phase - own));
    let (before, after) = mirrored(near(n.checked_sub(1)), own, near(Some(n + 1)));
    derotate(symbols, BLOCK_CHIPS, DATA_AT, [before, own, after]);
}
