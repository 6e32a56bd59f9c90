//! What two fields of a register map cannot have in common: a name, a bit, or a register that one
//! of them can only write.

use std::collections::BTreeSet;

use super::decode::Placed;
use super::{Access, Part};
use crate::fault::Fault;

/// Elements may spell a name that stands in the file as well: `phase[0..7]` and `phase.3`.
pub(super) fn refuse_repeated_names(placed: &[Placed], faults: &mut Vec<Fault>) {
    let mut names: Vec<_> =
        placed.iter().map(|placed| (placed.field.name.as_str(), &placed.span)).collect();
    names.sort_by_key(|(name, span)| (*name, span.start));
    for pair in names.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
        let message = format!("there are two fields '{}'", pair[1].0);
        faults.push(Fault::new(pair[1].1.clone(), message));
    }
}

/// Two fields that share a bit would each undo what the other set.
pub(super) fn refuse_overlap(placed: &[Placed], faults: &mut Vec<Fault>) {
    let mut order: Vec<(Part, usize)> = Vec::new();
    for (index, one) in placed.iter().enumerate() {
        order.extend(one.field.parts.iter().map(|part| (*part, index)));
    }
    order.sort_by_key(|(part, index)| (part.address, part.low_bit, *index));
    // Of the parts seen so far in this register, the one that reaches highest.
    let mut reach: Option<(Part, usize)> = None;
    let mut told = BTreeSet::new();
    for (part, index) in order {
        if let Some((other, before)) = reach
            && other.address == part.address
        {
            let end = other.low_bit + other.bits;
            let pair = (before.min(index), before.max(index));
            // Fields of several parts may meet more than once.
            if before != index && part.low_bit < end && told.insert(pair) {
                faults.push(shared(placed, pair, part.address));
            }
            if end > part.low_bit + part.bits {
                continue;
            }
        }
        reach = Some((part, index));
    }
}

fn shared(placed: &[Placed], (one, other): (usize, usize), address: u32) -> Fault {
    let in_file = placed[one].span.start <= placed[other].span.start;
    let (first, second) = if in_file { (one, other) } else { (other, one) };
    let (first, second) = (&placed[first], &placed[second]);
    let message = format!("'{}' and '{}' share bits", second.field.name, first.field.name);
    let help = format!("both lie in register 0x{address:X}");
    Fault::new(second.span.clone(), message).with_help(help)
}

/// A register that cannot be read cannot keep the bits of a field that somebody else may change.
pub(super) fn refuse_mixed_access(placed: &[Placed], faults: &mut Vec<Fault>) {
    let mut order: Vec<(u32, bool, usize)> = Vec::new();
    for (index, one) in placed.iter().enumerate() {
        let write_only = one.field.access == Access::WriteOnly;
        order.extend(one.field.parts.iter().map(|part| (part.address, write_only, index)));
    }
    order.sort_unstable();
    for pair in order.windows(2) {
        let [(address, readable, one), (other_address, write_only, other)] = pair else { continue };
        if address == other_address && !readable && *write_only {
            let (one, other) = (&placed[*one], &placed[*other]);
            let message = format!(
                "'{}' can only be written, and '{}' in the same register can be read",
                other.field.name, one.field.name
            );
            let help = format!("a register is read or it is not; both lie in 0x{address:X}");
            faults.push(Fault::new(other.span.clone(), message).with_help(help));
        }
    }
}
