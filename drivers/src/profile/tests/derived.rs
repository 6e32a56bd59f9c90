//! Profiles based on others, and what differs from model to model.

use std::path::PathBuf;

use super::*;
use crate::message::Identity;

/// A few lines over a shipped profile.
pub(super) const DEEP: &str = "profile: deep-scope
based on: scpi-scope
settings:
  range: {range: [1 mV, 5 V], tolerance: absent}
  trigger_offset: absent
  averages: {type: whole, range: [1, 64], set: \"[SENSe:]AVERage:COUNt {value}\", query: \"[SENSe:]AVERage:COUNt?\"}
readings:
  record_length: absent
actions:
  acquire: {about: Once}
completion: {by: service request}
errors: {bound: 7}
";

fn parsed(text: &str) -> Profile {
    parse(&Source::new("own.yaml", text))
        .unwrap_or_else(|faults| panic!("{}", faults.render(false)))
}

#[test]
fn what_is_not_said_is_taken_over() {
    let (base, own) = (load("scpi-scope.yaml", None).unwrap(), parsed(DEEP));
    assert_eq!((own.name.as_str(), own.role, &own.about), ("deep-scope", base.role, &base.about));
    let names: Vec<&str> = own.settings.iter().map(|setting| setting.name.as_str()).collect();
    let expected = ["range", "sample_interval", "points", "trigger_source", "averages"];
    assert_eq!(names, expected);
    let range = &own.settings[0];
    assert_eq!(range.set.to_string(), "SENSe:VOLTage:DC:RANGe:UPPer {value}");
    assert_eq!(range.tolerance, Tolerance::ROUNDED_TEXT);
    assert!(range.form.kind.fit(&Value::Number(5.0)).is_ok());
    assert!(own.readings.is_empty());
    let acquire = own.action("acquire").unwrap();
    assert_eq!((acquire.about.as_str(), acquire.steps.len()), ("Once", 2));
    // A step's completion is the profile's own.
    assert!(matches!(acquire.steps[1], ActionStep::Complete(_, Completion::ServiceRequest(_))));
    let errors = own.errors.as_ref().unwrap();
    assert_eq!((errors.query.as_str(), errors.bound), ("SYSTem:ERRor:NEXT?", 7));
    // The record keeps every file.
    assert_eq!(own.text, DEEP);
    let kept: Vec<&str> = own.based_on.iter().map(|source| &*source.name).collect();
    assert_eq!(kept, ["scpi-scope.yaml"]);
    assert_eq!(&*own.based_on[0].text, base.text.as_str());
}

/// A profile that changes nothing sends what its base sends.
#[test]
fn without_changes_everything_is_the_same() {
    for name in shipped_profiles() {
        let base = load(name, None).unwrap();
        let own = parsed(&format!("profile: own\nbased on: {name}\n"));
        assert_eq!(own.preview(), base.preview(), "{name}");
        assert_eq!((own.role, own.timeout), (base.role, base.timeout));
        // Nor does one that is based on that, or says one value that stands there already.
        let text = format!("profile: own\nbased on: {name}\nrole: {}\n", base.role);
        assert_eq!(parsed(&text).preview(), base.preview(), "{name}");
    }
}

/// Faults as they are shown, each with its place.
#[track_caller]
fn check_shown(text: &str, expected: &[&str]) {
    let shown = match parse(&Source::new("p.yaml", text)) {
        Ok(_) => String::new(),
        Err(faults) => faults.to_string(),
    };
    assert_eq!(shown.lines().collect::<Vec<_>>(), expected);
}

#[test]
fn what_is_wrong_with_a_derived_profile() {
    check_shown(
        "profile: p\nbased on: scpi-scop\n",
        &["p.yaml:2:11: failed to read scpi-scop.yaml: no such profile is shipped; did you \
           mean the shipped scpi-scope.yaml?"],
    );
    check_shown(
        "profile: p
based on: scpi-scope
settings:
  rnage: {range: [1 mV, 5 V]}
  speed: absent
  points: {rnage: [1, 2], set: \"POINts\"}
  range: {range: [5 V, 1 V], settle: absent}
  sample_interval: {query: absent}
actions:
  acquire: {steps: [{sent: \"X\"}]}
sesion: absent
",
        &[
            "p.yaml:4:3: there is no setting 'rnage' to change (did you mean 'range'?)",
            "p.yaml:5:3: there is no setting 'speed' to be absent (known here: range, \
             sample_interval, points, trigger_offset, trigger_source)",
            "p.yaml:6:12: unknown key 'rnage' in setting (did you mean 'range'?)",
            "p.yaml:6:32: the place for the value, {value}, is missing here",
            "p.yaml:7:18: a range has two ends, the lower first (write it as [lower, upper])",
            "p.yaml:7:30: there is no key 'settle' to be absent (did you mean 'set'?)",
            "p.yaml:10:22: unknown step 'sent' (did you mean 'send'?)",
            "p.yaml:11:1: there is no key 'sesion' to be absent (did you mean 'session'?)",
        ],
    );
    check_shown(
        "profile: p\nbased on: scpi-scope\nsettings:\n  sample_interval: {query: absent}\n",
        &[
            "p.yaml:4:20: key 'query' is missing in setting (The query that reads it back; brackets \
           as in set. Write it as 'query: text')",
        ],
    );
    // The base is sound by itself: what no longer fits is said where it is named.
    check_shown(
        "profile: p\nbased on: scpi-scope\ncompletion: absent\n",
        &[
            "p.yaml:2:11: with these changes line 61 of scpi-scope.yaml no longer fits: this profile \
           has no completion query (add one, such as completion: \"*OPC?\")",
        ],
    );
}

#[test]
fn faults_are_underlined_in_the_file_that_says_them() {
    let text = "profile: p\nbased on: scpi-scope\nsettings:\n  points: {range: [1, x]}\n";
    let shown = parse(&Source::new("p.yaml", text)).unwrap_err().render(false);
    assert_eq!(
        shown.trim_end(),
        "error: a whole number is wanted here, not 'x'
 --> p.yaml:4:23
  |
4 |   points: {range: [1, x]}
  |                       ^"
    );
}

/// A folder of profiles, removed afterwards.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str, files: &[(&str, &str)]) -> Self {
        let path = std::env::temp_dir().join(format!("beamwarden-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        for (name, text) in files {
            std::fs::write(path.join(name), text).unwrap();
        }
        Folder(path)
    }

    fn load(&self, name: &str) -> Result<Profile, String> {
        load(name, Some(&self.0))
            .map_err(|error| error.to_string().replace(&self.0.display().to_string(), "DIR"))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

#[test]
fn bases_stand_beside_the_file_and_may_have_bases() {
    let folder = Folder::new(
        "bases",
        &[
            ("a.yaml", "profile: a\nbased on: b\nsettings:\n  voltage: {range: [0 V, 1 V]}\n"),
            (
                "b.yaml",
                "profile: b\nbased on: scpi-supply.yaml\nsettings:\n  voltage: {unit: mV}\n",
            ),
        ],
    );
    let own = folder.load("a.yaml").unwrap();
    let form = &own.setting("voltage").unwrap().form;
    assert_eq!(form.emit(&Value::Number(0.5)), "5.0E+02");
    assert_eq!(own.based_on.len(), 2);
    assert!(own.setting("voltage").unwrap().fit(&Value::Number(1.5)).is_err());
}

#[test]
fn circles_are_refused() {
    let folder = Folder::new(
        "circles",
        &[
            ("a.yaml", "profile: a\nbased on: b\n"),
            ("b.yaml", "profile: b\nbased on: a\n"),
            ("scpi-scope.yaml", "profile: s\nbased on: scpi-scope\n"),
            ("c.yaml", "profile: c\nbased on: faulty\nsettings: {x: absent}\n"),
            ("faulty.yaml", "profile: f\nrole: supply\nidenti: x\n"),
        ],
    );
    let help = "(a file hides the shipped profile of the same name: rename it)";
    for (name, message) in [
        (
            "a.yaml",
            "DIR/b.yaml:2:11: profiles based on one another: DIR/a.yaml → DIR/b.yaml → DIR/a.yaml",
        ),
        (
            "scpi-scope.yaml",
            "DIR/scpi-scope.yaml:2:11: profiles based on one another: DIR/scpi-scope.yaml → \
             DIR/scpi-scope.yaml",
        ),
    ] {
        assert_eq!(folder.load(name).unwrap_err(), format!("{message} {help}"));
    }
    // What is wrong with a base is said of the base.
    let shown = folder.load("c.yaml").unwrap_err();
    assert!(shown.lines().all(|line| line.starts_with("DIR/faulty.yaml:")), "{shown}");
}

pub(super) const MODELS: &str = "profile: p
role: scope
identity: {query: \"*IDN?\"}
settings:
  points: {type: whole, range: [16, 8 k], set: \"P {value}\", query: \"P?\"}
  offset: {type: number, unit: s, set: \"O {value}\", query: \"O?\"}
models:
  - called: deep memory
    model: DS-*
    firmware: 2.*
    settings:
      points: {range: [16, 64 k]}
      averages: {type: whole, set: \"A {value}\", query: \"A?\"}
  - called: plain
    model: ds-1
    settings: {offset: absent, points: {range: [1, 4 k]}}
";

fn identity(model: &str, firmware: &str) -> Identity {
    Identity::parse(format!("Test Works,{model},17,{firmware}").as_bytes()).unwrap()
}

#[test]
fn the_first_model_that_fits_counts() {
    let profile = parsed(MODELS);
    let models = profile.models.as_ref().unwrap();
    for (identity, model, points_at_most, settings) in [
        (identity("DS-1", "2.7"), Some("deep memory"), 64_000, "points offset averages"),
        (identity("DS-1", "1.9"), Some("plain"), 4000, "points"),
        (identity("XX-1", "2.0"), None, 8000, "points offset"),
    ] {
        let own = models.of(&identity);
        assert_eq!(own.model.as_deref(), model);
        let names: Vec<&str> = own.settings.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(names.join(" "), settings);
        let Kind::Whole { at_most, .. } = own.settings[0].form.kind else { panic!() };
        assert_eq!(at_most, points_at_most);
        assert!(own.models.is_none());
    }
    // Whoever plans before the model is known sees all of them.
    let names: Vec<&str> = profile.settings.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(names, ["points", "offset", "averages"]);
    assert_eq!(profile.settings[0].form.kind, Kind::Whole { at_least: 1, at_most: 64_000 });
}

#[test]
fn what_is_wrong_with_models() {
    check_shown(
        &MODELS.replace("    model: ds-1\n", "").replace("offset: absent", "ofset: absent"),
        &[
            "p.yaml:14:13: nothing says by which identity this model is known (add model: \
             \"WS-7*\", or maker, serial or firmware)",
            "p.yaml:15:16: there is no setting 'ofset' to be absent (did you mean 'offset'?)",
        ],
    );
    check_shown(
        &MODELS.replace("points: {range: [1, 4 k]}", "points: {type: number, range: [1, 4]}"),
        &["p.yaml:16:32: 'points' is of another type than in other models (give it another name)"],
    );
    let after = "  offset: {after: points, type";
    check_shown(
        &MODELS.replace("  offset: {type", after).replace("offset: absent", "points: absent"),
        &["p.yaml:16:32: key 'points' stands twice (keep one of the two)"],
    );
    check_shown(
        &MODELS
            .replace("  offset: {type", after)
            .replace("{offset: absent, points: {range: [1, 4 k]}}", "{points: absent}"),
        &["p.yaml:14:13: with what differs in this model there is no setting 'points'"],
    );
}
