//! sim.
mod door;
mod instruments;
mod model;
mod physics;
mod post;
mod scpi;
mod truth;
mod world;

pub use door::{Address, ServeError, ServePlan, Serving, SimBench};
pub use model::*;
pub use physics::array::ElementCode;
pub use post::Post;
pub use truth::*;
