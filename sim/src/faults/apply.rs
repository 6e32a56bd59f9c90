//! What faults do to the bench.

use std::time::Duration;

use super::engine::{DRIFT_STEP, Held, Lasting};
use super::plan::{FaultKind, PlannedFault};
use super::settings::{rows_names, shift, values};
use crate::beams::End;
use crate::post::Post;
use crate::scpi::error::Fault;
use crate::scpi::front::Front;
use crate::scpi::session::Step;
use crate::world::World;

impl World {
    /// Everything of the plan that is due by now, and everything that ends or moves by now.
    pub(crate) fn faults_by_time(&mut self) {
        self.end_faults();
        while let Some(planned) = self.faults.take_due(self.now) {
            self.begin_fault(planned);
        }
    }

    /// A command begins: whether it is carried out, for the link may be closed first.
    pub(crate) fn faults_at_command(&mut self, post: Post) -> bool {
        let links = self.faults.links(post);
        for planned in self.faults.count_command(post) {
            self.begin_fault(planned);
        }
        self.faults.links(post) == links
    }

    /// The trigger of an acquisition is about to fall.
    pub(crate) fn faults_at_capture(&mut self) {
        for planned in self.faults.count_capture() {
            self.begin_fault(planned);
        }
    }

    /// Whether the acquisition under way hands out the record before it.
    pub(crate) fn trace_is_stale(&mut self) -> bool {
        let Some(kind) =
            self.faults.take_waiting(Post::Scope, self.now, |kind| *kind == FaultKind::StaleTrace)
        else {
            return false;
        };
        let told = "it hands out the record before".to_owned();
        self.faults.note(self.now, Post::Scope, &kind, told);
        true
    }

    /// A command that may change a setting is about to be carried out.
    pub(crate) fn hold(&mut self, post: Post) {
        let concerned =
            |kind: &FaultKind| matches!(kind, FaultKind::NotTaken { .. } | FaultKind::Stuck { .. });
        if !self.faults.any_waits(post, self.now, concerned) {
            return;
        }
        let held = match post {
            Post::Source => Held::Source(self.source.clone()),
            Post::Scope => Held::Scope(self.scope.clone()),
            Post::DutPort => Held::Dut(self.dut.clone()),
            Post::Turntable => Held::Turntable(self.turntable.clone()),
            Post::Supply => Held::Supply(self.supply.clone()),
        };
        let values = values(self, post);
        self.faults.held = Some((held, values));
    }

    /// The command was carried out: settings that it changed may not have taken.
    pub(crate) fn release(&mut self, post: Post) {
        let Some((held, before)) = self.faults.held.take() else { return };
        let after = values(self, post);
        let changed: Vec<&'static str> = rows_names(post)
            .zip(before.iter().zip(&after))
            .filter(|(_, (before, after))| before != after)
            .map(|(name, _)| name)
            .collect();
        if changed.is_empty() {
            return;
        }
        let not_taken = |kind: &FaultKind| match kind {
            FaultKind::NotTaken { setting: Some(name) } => changed.contains(&name.as_str()),
            FaultKind::NotTaken { setting: None } => true,
            _ => false,
        };
        if let Some(kind) = self.faults.take_waiting(post, self.now, not_taken) {
            match held {
                Held::Source(source) => self.source = source,
                Held::Scope(scope) => self.scope = scope,
                Held::Dut(dut) => self.dut = dut,
                Held::Turntable(turntable) => self.turntable = turntable,
                Held::Supply(supply) => self.supply = supply,
            }
            let told = format!("{} stays as it was", changed.join(", "));
            self.faults.note(self.now, post, &kind, told);
        } else if changed.contains(&"angle") {
            let stuck = |kind: &FaultKind| matches!(kind, FaultKind::Stuck { .. });
            if let Some(kind) = self.faults.take_waiting(post, self.now, stuck) {
                self.stop_short(&kind);
            }
        }
    }

    fn stop_short(&mut self, kind: &FaultKind) {
        let FaultKind::Stuck { short_deg } = kind else { return };
        let wanted = self.turntable.target_deg();
        self.turntable.stop_short(*short_deg, self.now, &self.model.turntable);
        let told = format!("stops at {} deg instead of {wanted}", self.turntable.target_deg());
        self.faults.note(self.now, Post::Turntable, kind, told);
    }

    /// What becomes of what a connection is about to do.
    pub(crate) fn deliver(&mut self, post: Post, step: Step) -> Step {
        self.faults.deliver(post, self.now, step)
    }

    /// Applies a fault, or has it wait for its opportunity.
    pub(crate) fn begin_fault(&mut self, planned: PlannedFault) {
        let PlannedFault { instrument: post, fault: kind, for_s, .. } = planned;
        let length = for_s.and_then(|s| Duration::try_from_secs_f64(s).ok());
        let until = length.map(|length| self.now.saturating_add(length));
        if kind.waits() {
            self.faults.wait(post, kind, until);
            return;
        }
        let now = self.now;
        let mut ends = false;
        let told = match &kind {
            FaultKind::ClosedLink { .. } => {
                self.faults.close_links(post);
                "closed at once".to_owned()
            }
            FaultKind::ErrorEntry { code, text } => {
                let fault = Fault::new(*code, text.clone());
                let told = fault.answer();
                self.front_of(post).report(fault);
                told
            }
            FaultKind::Restart => {
                self.restart(post);
                self.faults.away_until[post.index()] = until.unwrap_or(now);
                match for_s {
                    Some(seconds) => format!("away for {seconds} s"),
                    None => "there again at once".to_owned(),
                }
            }
            FaultKind::LostLock { chip } => {
                let chip = match chip {
                    End::Tx => &mut self.dut.tx,
                    End::Rx => &mut self.dut.rx,
                };
                chip.lose_lock(until);
                match for_s {
                    Some(seconds) => format!("lost for {seconds} s"),
                    None => "lost until it is set anew".to_owned(),
                }
            }
            FaultKind::Drift { setting, per_hour } => {
                ends = true;
                format!("{setting} moves by {per_hour} an hour")
            }
            FaultKind::CurrentLimit { to_share } => {
                self.supply.pulled_to = Some(*to_share);
                ends = until.is_some();
                format!("to {to_share} of the set voltage")
            }
            FaultKind::DroppedSegment { share } => {
                ends = until.is_some();
                match self.source.drop_segment(*share) {
                    Some(points) => format!("{points} points are silent"),
                    None => "no waveform is selected".to_owned(),
                }
            }
            _ => {
                self.source.stalled = true;
                ends = until.is_some();
                "nothing plays".to_owned()
            }
        };
        self.faults.note(now, post, &kind, told);
        if ends {
            let drifts = matches!(kind, FaultKind::Drift { .. });
            let step = drifts.then(|| now.saturating_add(DRIFT_STEP));
            self.faults.lasting.push(Lasting { post, kind, until, step, saved: 0.0 });
        }
        self.changed();
    }

    /// Ends what is over and moves what drifts.
    fn end_faults(&mut self) {
        let now = self.now;
        let mut lasting = std::mem::take(&mut self.faults.lasting);
        for one in &mut lasting {
            while let (FaultKind::Drift { setting, per_hour }, Some(step)) = (&one.kind, one.step) {
                if step > now || one.until.is_some_and(|until| step > until) {
                    break;
                }
                let wanted = one.saved + per_hour * DRIFT_STEP.as_secs_f64() / 3600.0;
                one.saved = wanted - shift(self, one.post, setting, wanted);
                one.step = Some(step + DRIFT_STEP);
            }
        }
        let (over, still): (Vec<_>, Vec<_>) =
            lasting.into_iter().partition(|one| one.until.is_some_and(|until| until <= now));
        self.faults.lasting = still;
        for one in over {
            match one.kind {
                FaultKind::CurrentLimit { .. } => self.supply.pulled_to = None,
                FaultKind::DroppedSegment { .. } => self.source.mend(),
                FaultKind::StoppedPlaying => self.source.stalled = false,
                _ => {}
            }
            self.changed();
        }
    }

    /// An instrument starts anew.
    fn restart(&mut self, post: Post) {
        self.faults.forget(post);
        match post {
            Post::Source => self.source = crate::instruments::source::Source::default(),
            Post::Scope => self.scope.restart(),
            Post::DutPort => {
                self.dut.tx.reset();
                self.dut.rx.reset();
                if self.dut.powered {
                    self.power_up();
                }
            }
            Post::Turntable => self.turntable.reset(self.now, &self.model.turntable),
            Post::Supply => {
                self.supply.reset();
                (self.supply.tripped, self.supply.pulled_to) = (false, None);
            }
        }
        *self.front_of(post) = Front::default();
        self.faults.close_links(post);
    }
}
