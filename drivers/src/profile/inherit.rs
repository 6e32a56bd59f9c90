//! Profiles that are based on others: the files are read, their trees laid over one another, and
//! what is wrong with the outcome is underlined in the file that says it.
//!
//! Each tree keeps its places: those of a base are moved behind the text of the file that is based
//! on it. Knows which parts of a profile are laid over key by key; nothing of what they mean.

use std::path::Path;

use super::decode;
use super::grammar::{DERIVED, PROFILE};
use super::shipped::profile_source;
use super::{LoadError, Profile};
use crate::fault::{Fault, Faults, Source};
use crate::marked::{self, Key, Node, NodeKind};
use crate::shape::{self, ABSENT, is_absent};

/// Most files that are based on one another; far beyond what anybody can follow.
const FILES_MAX: usize = 16;

/// A profile's tree and the files that it was made of.
struct Tree {
    root: Node,
    /// The file itself, then what it is based on, the nearest first.
    files: Vec<Source>,
}

/// Parses and checks a profile. What it is based on is looked for among the shipped profiles.
///
/// # Errors
/// All faults of the file at once, each with its place; or those of a file that it is based on.
pub fn parse(source: &Source) -> Result<Profile, Faults> {
    parse_near(source, None)
}

/// As [`parse`]; what it is based on is looked for in the folder `near` first.
pub(super) fn parse_near(source: &Source, near: Option<&Path>) -> Result<Profile, Faults> {
    read(source, near, &mut Vec::new()).map(|(profile, _)| profile)
}

/// Reads a file and everything that it is based on. `below` are the names of the files that are
/// based on this one.
fn read(
    source: &Source,
    near: Option<&Path>,
    below: &mut Vec<String>,
) -> Result<(Profile, Tree), Faults> {
    let (own, mut faults) = marked::parse(source)?;
    let tree = match own.get("based on").and_then(Node::text) {
        None => {
            shape::check(&own, PROFILE, &mut faults);
            Tree { root: own, files: vec![source.clone()] }
        }
        Some(_) => {
            shape::check(&own, DERIVED, &mut faults);
            let base = base_of(source, &own, near, below, &mut faults)?;
            let Some(base) = base else { return Err(Faults::new(source.clone(), faults)) };
            let tree = over(source, &own, base, &mut faults);
            if faults.is_empty() {
                shape::check(&tree.root, PROFILE, &mut faults);
            }
            tree
        }
    };
    let profile = decode::decode(&tree.root, &tree.files, &mut faults);
    match profile {
        Some(profile) if faults.is_empty() => Ok((profile, tree)),
        _ => Err(Faults::new(source.clone(), placed(&tree, faults))),
    }
}

/// The tree of the profile that this one is based on; `None` when it cannot be had, which is a
/// fault then.
fn base_of(
    source: &Source,
    own: &Node,
    near: Option<&Path>,
    below: &mut Vec<String>,
    faults: &mut Vec<Fault>,
) -> Result<Option<Tree>, Faults> {
    let Some(place) = own.get("based on") else { return Ok(None) };
    let name = place.text().unwrap_or_default();
    below.push(source.name.to_string());
    let found = match profile_source(name, near) {
        Ok(found) => found,
        Err(LoadError::Faults(inner)) => return Err(inner),
        Err(error) => {
            faults.push(Fault::new(place.span.clone(), error.to_string()));
            return Ok(None);
        }
    };
    if below.iter().any(|known| **known == *found.name) || below.len() >= FILES_MAX {
        let chain = format!("{} → {}", below.join(" → "), found.name);
        let fault =
            Fault::new(place.span.clone(), format!("profiles based on one another: {chain}"));
        faults
            .push(fault.with_help("a file hides the shipped profile of the same name: rename it"));
        return Ok(None);
    }
    let (_, tree) = read(&found, near, below)?;
    Ok(Some(tree))
}

/// Lays a file over its base, whose places move behind the file's text.
fn over(source: &Source, own: &Node, base: Tree, faults: &mut Vec<Fault>) -> Tree {
    let mut under = base.root;
    shift(&mut under, source.text.len() + 1);
    let root = lay_over(own, &under, Part::Profile, faults);
    let mut files = vec![source.clone()];
    files.extend(base.files);
    Tree { root, files }
}

fn shift(node: &mut Node, by: usize) {
    let moved = |span: &std::ops::Range<usize>| span.start + by..span.end + by;
    node.span = moved(&node.span);
    match &mut node.kind {
        NodeKind::Scalar { .. } => {}
        NodeKind::List(items) => items.iter_mut().for_each(|item| shift(item, by)),
        NodeKind::Map(entries) => entries.iter_mut().for_each(|(key, value)| {
            key.span = moved(&key.span);
            shift(value, by);
        }),
    }
}

/// How deep mappings are laid over one another key by key; below that, what is new stands alone.
#[derive(Clone, Copy)]
enum Part {
    /// The whole profile.
    Profile,
    /// The settings, the readings or the actions.
    Table(&'static str),
    /// One of them, or one of the profile's other mappings.
    Entry,
    /// What is said anew as a whole.
    Whole,
}

impl Part {
    fn below(self, key: &str) -> Part {
        match self {
            Part::Profile => match key {
                "settings" => Part::Table("setting"),
                "readings" => Part::Table("reading"),
                "actions" => Part::Table("action"),
                "identity" | "session" | "errors" | "registers" => Part::Entry,
                _ => Part::Whole,
            },
            Part::Table(_) => Part::Entry,
            Part::Entry | Part::Whole => Part::Whole,
        }
    }

    fn what(self) -> &'static str {
        match self {
            Part::Table(what) => what,
            _ => "key",
        }
    }
}

/// Lays the changes that a model makes over a profile's tree.
pub(super) fn with_changes(root: &Node, changes: &Node, faults: &mut Vec<Fault>) -> Node {
    let parts = ["settings", "readings", "actions"];
    let kept = changes.entries().iter().filter(|(key, _)| parts.contains(&key.text.as_str()));
    let own = Node { span: changes.span.clone(), kind: NodeKind::Map(kept.cloned().collect()) };
    lay_over(&own, root, Part::Profile, faults)
}

fn lay_over(own: &Node, base: &Node, part: Part, faults: &mut Vec<Fault>) -> Node {
    let both = matches!((&own.kind, &base.kind), (NodeKind::Map(_), NodeKind::Map(_)));
    if !both || matches!(part, Part::Whole) {
        return own.clone();
    }
    let mut entries = base.entries().to_vec();
    for (key, value) in own.entries() {
        let at = entries.iter().position(|(known, _)| known.text == key.text);
        match at {
            Some(at) if is_absent(value) => {
                entries.remove(at);
            }
            Some(at) => {
                let value = lay_over(value, &entries[at].1, part.below(&key.text), faults);
                entries[at] = (key.clone(), value);
            }
            None => match unknown(key, value, base, part) {
                Some(fault) => faults.push(fault),
                None => entries.push((key.clone(), value.clone())),
            },
        }
    }
    Node { span: own.span.clone(), kind: NodeKind::Map(entries) }
}

/// A fault when something is to be changed or left out that is not there.
fn unknown(key: &Key, value: &Node, base: &Node, part: Part) -> Option<Fault> {
    let what = part.what();
    let known: Vec<&str> = base.entries().iter().map(|(known, _)| known.text.as_str()).collect();
    if is_absent(value) {
        let message = format!("there is no {what} '{}' to be {ABSENT}", key.text);
        // That the key is unknown altogether need not be said as well.
        let fault = Fault::new(key.span.clone(), message).instead_of_others();
        return Some(fault.with_help(shape::suggestion(&key.text, &known)));
    }
    // What stands alone has its messages; what has none changes something.
    let whole = value.get("query").is_some()
        || value
            .get("steps")
            .is_some_and(|steps| matches!(steps.kind, NodeKind::List(_)) && what == "action");
    match part {
        Part::Table(_) if !whole => {
            let message = format!("there is no {what} '{}' to change", key.text);
            let fault = Fault::new(key.span.clone(), message);
            Some(fault.with_help(shape::suggestion(&key.text, &known)))
        }
        _ => None,
    }
}

/// Faults at places of the file itself. One that shows in a base, which is sound by itself, comes
/// from what this file changes: it is underlined where the base is named.
fn placed(tree: &Tree, faults: Vec<Fault>) -> Vec<Fault> {
    let own = tree.files.first().map_or(0, |source| source.text.len() + 1);
    let at_base = || tree.root.get("based on").map_or(0..0, |node| node.span.clone());
    faults
        .into_iter()
        .map(|fault| {
            if fault.span.start < own {
                return fault;
            }
            let mut start = 0;
            for source in &tree.files {
                let end = start + source.text.len() + 1;
                if fault.span.start < end {
                    let (line, _) = source.line_column(fault.span.start - start);
                    let message = format!(
                        "with these changes line {line} of {} no longer fits: {}",
                        source.name, fault.message
                    );
                    let moved = Fault::new(at_base(), message);
                    return match fault.help {
                        Some(help) => moved.with_help(help),
                        None => moved,
                    };
                }
                start = end;
            }
            Fault::new(at_base(), fault.message)
        })
        .collect()
}

/// The file name of a profile: `.yaml` is added where a name has no ending.
pub(super) fn file_name(name: &str) -> String {
    if Path::new(name).extension().is_some() { name.to_owned() } else { format!("{name}.yaml") }
}
