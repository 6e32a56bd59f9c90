//! Ends that are not kills: signals, a fault of the program, a full disk, a folder that cannot be
//! written. The safe state, a sensible status and message; what has a record goes on.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use beamwarden::bench::{Bench, BenchPlan};
use beamwarden::clock::Clock;
use beamwarden::record::{Event, Outcome};
use beamwarden::run::{Control, Engine, Progress, ProgressEvent, Recorder, RunInputs};
use beamwarden::sequence::read_sequence;
use beamwarden_drivers::fault::Source;

use crate::files::{Files, POINTS, newest_in};
use crate::journal;
use crate::told::{Line, Told};
use crate::{PATIENCE, common, ended_within};

/// Starts a run and reads what it tells until a point with this number begins.
pub fn run_until_point(mut command: Command, point: u64) -> (Child, impl Iterator<Item = String>) {
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines().map(Result::unwrap);
    let begun = format!("point {point}:");
    assert!(lines.any(|line| line.starts_with(&begun)), "it ends before point {point}");
    (child, lines)
}

fn status_of(mut child: Child) -> ExitStatus {
    ended_within(&mut child, PATIENCE).expect("the program ends")
}

/// Goes on with a run that ended early, and checks that every point is done exactly once then.
#[track_caller]
fn go_on(files: &Files, run: &Path) {
    let output = files.resume(run).output().unwrap();
    common::expect_status(&output, 0);
    journal::check_complete(run, POINTS);
    let verified = common::run(&["verify", &run.display().to_string()]);
    common::expect_status(&verified, 0);
}

#[test]
fn a_signal_leaves_a_served_bench_safe_and_a_run_that_goes_on() {
    let told = Told::serve();
    let files = Files::served(&told);
    for signal in ["INT", "TERM", "HUP"] {
        files.clear_runs();
        let (child, lines) = run_until_point(files.run(), 20);
        let id = child.id().to_string();
        assert!(Command::new("kill").args(["-s", signal, &id]).status().unwrap().success());
        let lines: Vec<String> = lines.collect();
        assert_eq!(status_of(child).code(), Some(5), "{signal}: {lines:?}");
        assert!(told.is_safe(), "{signal}");
        let run = files.newest_run().unwrap();
        let Some(Event::RunEnded(end)) = journal::events(&run).pop() else { panic!("no end") };
        assert_eq!(end.outcome, Outcome::Stopped, "{signal}");
        go_on(&files, &run);
        assert!(told.is_safe(), "{signal}");
    }
}

/// Fails as a fault of the program would, when a point with this number begins.
struct PanicsAtPoint(u64);

impl Progress for PanicsAtPoint {
    fn take(&mut self, event: ProgressEvent<'_>) {
        if let ProgressEvent::Point { point: Some(point), .. } = event {
            assert!(point != self.0, "a fault of the program, made by the test");
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_fault_of_the_program_leaves_the_bench_safe_and_a_run_that_goes_on() {
    let files = Files::simulated();
    let read = |name: &str| Source::new(name, std::fs::read_to_string(files.path(name)).unwrap());
    let plan =
        BenchPlan::load(&read("bench.yaml"), files.path("").to_str().map(Path::new)).unwrap();
    let sequence = read_sequence(&read("sequence.yaml"), plan.knobs()).unwrap();
    let seed = Some(plan.simulated.seed);
    let inputs = RunInputs { sequence: &sequence, plan: &plan, seed, replay: None };
    let mut recorder = Recorder::begin(&files.runs(), inputs, Clock::start()).unwrap();
    let mut bench = Bench::open(plan).await.unwrap();
    let door = bench.simulated_back_door().unwrap().clone();
    let mut watcher = PanicsAtPoint(77);
    let control = Control::default();
    let engine = Engine::new(&sequence, &mut bench, &mut recorder, &mut watcher, control);
    let summary = engine.execute().await;
    assert!(summary.safe && summary.outcome == Outcome::Failed, "{summary:?}");
    let truth = door.truth();
    assert!(!truth.source.output && !truth.supply.output);
    let run = recorder.folder().path().to_path_buf();
    drop((bench, recorder));
    go_on(&files, &run);
}

/// A file system in memory, of a size that can be changed.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// `None` where this process may not mount one.
    fn mount(at: PathBuf, options: &str) -> Option<Self> {
        std::fs::create_dir_all(&at).unwrap();
        let mut command = Command::new("mount");
        command.args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(&at).stderr(Stdio::null());
        command.status().is_ok_and(|status| status.success()).then(|| SmallDisk(at))
    }

    #[track_caller]
    fn remount(&self, options: &str) {
        let mut command = Command::new("mount");
        let status = command.args(["-o", &format!("remount,{options}")]).arg(&self.0).status();
        assert!(status.unwrap().success(), "remount with {options}");
    }

    fn used_kib(&self) -> u64 {
        let output =
            Command::new("df").args(["-k", "--output=used"]).arg(&self.0).output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        text.lines().last().unwrap().trim().parse().unwrap()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_leaves_the_bench_safe_and_a_run_that_goes_on() {
    let told = Told::serve();
    let files = Files::served(&told);
    let place = files.path("disk");
    match SmallDisk::mount(place.clone(), "size=64g") {
        Some(disk) => {
            let (child, lines) = run_until_point(files.run_in(&place), 20);
            // From now on there is room for some pages more.
            disk.remount(&format!("size={}k", disk.used_kib() + 64));
            check_full(child, lines.collect(), &told);
            disk.remount("size=64g");
            go_on(&files, &newest_in(&place).unwrap());
        }
        None => {
            // No file may become larger than this: the journal meets it as it would a full disk.
            println!(
                "this process may not mount: a limit on the size of files stands for the disk"
            );
            let program = files.run();
            let mut limited = Command::new("sh");
            limited.current_dir(common::root());
            limited.args(["-c", "trap '' XFSZ; ulimit -f 120; exec \"$@\"", "sh"]);
            limited.arg(program.get_program()).args(program.get_args());
            let (child, lines) = run_until_point(limited, 2);
            check_full(child, lines.collect(), &told);
            go_on(&files, &files.newest_run().unwrap());
        }
    }
    assert!(told.is_safe());
}

#[track_caller]
fn check_full(child: Child, lines: Vec<String>, told: &Told) {
    let status = status_of(child).code();
    let text = lines.join("\n");
    assert!(told.is_safe(), "{text}");
    assert_eq!(status, Some(70), "{text}");
    let named = ["No space left", "File too large", "disk"].iter().any(|word| text.contains(word));
    assert!(named, "the message names the disk: {text}");
}

#[test]
fn a_folder_that_cannot_be_written_ends_before_anything_is_sent() {
    let told = Told::serve();
    let files = Files::served(&told);
    let place = files.path("closed");
    // Only who is not the superuser is kept out by permissions.
    let disk = SmallDisk::mount(place.clone(), "size=1m,ro");
    let mut command = files.run_in(&place);
    if disk.is_none() {
        std::fs::create_dir_all(&place).unwrap();
        let closed = std::os::unix::fs::PermissionsExt::from_mode(0o555);
        std::fs::set_permissions(&place, closed).unwrap();
        if std::fs::write(place.join("probe"), "").is_ok() {
            // The superuser without the right to mount: the program runs as nobody.
            let mut other = Command::new("setpriv");
            other.args(["--reuid=65534", "--clear-groups"]);
            other.arg(command.get_program()).args(command.get_args());
            command = other;
        }
    }
    // The serial line of the control port is opened by the bench itself.
    let links = || told.lines().iter().filter(|(_, line)| matches!(line, Line::Opened)).count();
    for _ in 0..200 {
        if links() == 1 {
            break;
        }
        crate::pass(Duration::from_millis(10));
    }
    let output = command.output().unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(70), "{text}");
    assert!(text.contains("closed"), "the message names the folder: {text}");
    crate::pass(Duration::from_millis(100));
    assert_eq!(links(), 1, "no link was opened");
}
