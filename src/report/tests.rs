//! The page as a reader gets it: complete, self-contained, safe with hostile text.
use crate::record::fixture;
#[test]
fn look() {
    let root = std::path::Path::new("/tmp/look");
    let _ = std::fs::remove_dir_all(root);
    for folder in [fixture::story(root, 16, 57_344), fixture::sweep(root, 5000)] {
        super::write(&folder).expect("a report");
    }
}
