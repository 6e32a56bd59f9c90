//! Shows a run while it goes on: bars where a person watches, plain lines otherwise.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::{SignedDuration, Timestamp};
use tokio::time::Instant;

use super::figures_table::{ber, bit_errors};
use super::service::{Heart, Service};
use super::terminal::plain;
use crate::record::figure;
use crate::run::{Progress, ProgressEvent};

/// A watcher on standard error.
pub(super) struct Watch {
    bar: ProgressBar,
    interactive: bool,
    quiet: bool,
    settings: usize,
    last_setting: String,
    /// The settings of a point stand in its heading already.
    in_heading: bool,
    heart: Heart,
    /// The time of the record at some moment, where points and warnings are told with it.
    time: Option<(Timestamp, Instant)>,
}

impl Watch {
    /// `quiet` leaves out everything but warnings.
    pub(super) fn new(interactive: bool, quiet: bool) -> Self {
        let shown = interactive && !quiet;
        Watch {
            bar: progress_bar(shown),
            interactive: shown,
            quiet,
            settings: 0,
            last_setting: String::new(),
            in_heading: false,
            heart: Heart::default(),
            time: None,
        }
    }

    /// From here on points and warnings are told with the time of the record, which is `now`.
    pub(super) fn tell_times(&mut self, now: Timestamp) {
        self.time = Some((now, Instant::now()));
    }

    /// The time of day in the record, to stand behind a line; empty where times are not told.
    fn now(&self) -> String {
        let Some((then, moment)) = self.time else { return String::new() };
        let since = SignedDuration::try_from(moment.elapsed()).unwrap_or_default();
        let now = then.checked_add(since).unwrap_or(then);
        now.strftime(" (%H:%M:%S UTC)").to_string()
    }

    /// What shows that the run lives.
    pub(super) fn heart(&self) -> Heart {
        self.heart.clone()
    }

    fn tell(&self, text: &str) {
        let text = plain(text);
        if self.interactive {
            self.bar.println(text);
        } else {
            // Standard error may be gone; a run does not stop for that.
            let _ = std::io::Write::write_fmt(&mut std::io::stderr(), format_args!("{text}\n"));
        }
    }

    fn say(&self, text: &str) {
        if !self.quiet {
            self.tell(text);
        }
    }

    /// One line for the settings since the last event: the only one by name, more by number.
    fn settle(&mut self) {
        match self.settings {
            0 => return,
            1 if self.in_heading => {}
            1 => self.say(&format!("  set {}", self.last_setting)),
            count => self.say(&format!("  {count} settings made and read back")),
        }
        self.settings = 0;
        self.in_heading = false;
    }

    fn begin(&self, run: &str, actions: u64) {
        self.say(&format!("run {run}"));
        begin(&self.bar, actions);
    }
}

/// A bar on standard error, where a person sees it.
pub(super) fn progress_bar(shown: bool) -> ProgressBar {
    let target = if shown { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    ProgressBar::with_draw_target(None, target)
}

/// Shows the bar's length.
pub(super) fn begin(bar: &ProgressBar, length: u64) {
    bar.set_length(length);
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos}/{len} {msg}") {
        bar.set_style(style.progress_chars("=> "));
    }
}

impl Progress for Watch {
    fn take(&mut self, event: ProgressEvent<'_>) {
        self.heart.beat();
        if !matches!(event, ProgressEvent::Set { .. } | ProgressEvent::Alive) {
            self.settle();
        }
        match event {
            ProgressEvent::Began { run, actions } => self.begin(run, actions),
            ProgressEvent::Phase(phase) => self.say(phase),
            ProgressEvent::Point { point, position } => match point {
                Some(point) => {
                    Service::status(&format!("point {point}: {position}"));
                    self.say(&format!("point {point}: {position}{}", self.now()));
                }
                None => self.say(&position),
            },
            ProgressEvent::Set { setting, value } => {
                self.settings += 1;
                self.last_setting = format!("{setting} {value}");
                self.bar.set_message(plain(&self.last_setting).into_owned());
            }
            ProgressEvent::Probe { done, most } => {
                self.bar.set_message(format!("probe {done} of at most {most}"));
            }
            ProgressEvent::Searched(text) => {
                self.bar.inc(1);
                self.say(&format!("  search beams: {text}"));
            }
            ProgressEvent::Measuring { label, captures, bits } => {
                let label = label.unwrap_or("measure");
                let text = format!("{label}: {captures} captures, {bits} bits");
                self.bar.set_message(plain(&text).into_owned());
            }
            ProgressEvent::Measured { label, frame, figures, passed } => {
                self.bar.inc(1);
                let evm = figure(figures, "evm_db")
                    .map_or_else(|| "no frame found".to_string(), |evm| format!("EVM {evm:.1} dB"));
                let verdict = match passed {
                    Some(true) => ", as expected",
                    Some(false) => ", NOT as expected",
                    None => "",
                };
                self.say(&format!(
                    "  {}: {frame}: {evm}, bit errors {}, BER {}{verdict}",
                    label.unwrap_or("measure"),
                    bit_errors(figures),
                    ber(figures),
                ));
            }
            ProgressEvent::Said(text) => self.say(&format!("  {text}{}", self.now())),
            ProgressEvent::Alive => {}
            ProgressEvent::Warning(text) => self.tell(&format!("warning: {text}{}", self.now())),
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.settle();
        self.bar.finish_and_clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::fixture;

    #[tokio::test(start_paused = true)]
    async fn lines_bear_the_time_of_the_record() {
        let mut watch = Watch::new(false, true);
        assert_eq!(watch.now(), "");
        watch.tell_times(fixture::start());
        tokio::time::advance(std::time::Duration::from_secs(3 * 3600)).await;
        assert_eq!(watch.now(), " (00:40:07 UTC)");
    }
}
