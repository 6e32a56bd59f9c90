//! The page as a reader gets it: complete, self-contained, safe with hostile text, of bounded size.

use std::fs;
use std::path::Path;

use super::*;
use crate::record::fixture::{self, STORY, Shot, Writer};
use crate::record::{
    Against, AxisValue, CaptureNo, CaptureTaken, Entry, Event, Expectation, Figure, FiguresFound,
    Level, Note, Outcome, PointStarted, RecordedValue, ReplayOf, SearchSide, figure_names,
};

mod doubts;
mod night;

fn story_page() -> String {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 600);
    let path = write(&folder).expect("a sound run");
    assert_eq!(path, folder.path().join("report.html"));
    fs::read_to_string(path).expect("the page just written")
}

fn page_of(run: impl FnOnce(&Path) -> RunFolder) -> String {
    let root = tempfile::tempdir().expect("a temporary folder");
    page(&run(root.path())).expect("a readable journal")
}

fn assert_holds(page: &str, wanted: &[&str]) {
    for text in wanted {
        assert!(page.contains(text), "the page should hold {text:?}");
    }
}

/// Every element is closed in order; names of void elements and self-closed ones aside.
fn check_balance(page: &str) {
    let body = page.split_once("</style>").expect("a style sheet").1;
    let mut open: Vec<&str> = vec!["html", "head"];
    let mut rest = body;
    while let Some((_, after)) = rest.split_once('<') {
        let (tag, after) = after.split_once('>').expect("a closed tag");
        rest = after;
        let name = tag.split_whitespace().next().expect("a tag has a name");
        if let Some(name) = name.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name), "before {:.60}", rest);
        } else if !tag.ends_with('/') && !matches!(name, "br" | "meta" | "wbr") {
            open.push(name);
        }
    }
    assert_eq!(open, [""; 0]);
}

#[test]
fn the_page_of_a_replay_says_first_that_no_instrument_took_part() {
    let check = |against: Against| {
        let replay = ReplayOf { run: "last <night>".to_owned(), against, model: None };
        let page = page_of(|root| Writer::begin_replay(root, "night", Some(replay)).folder);
        check_balance(&page);
        let against = against.name();
        let words =
            format!("replayed from last &lt;night&gt; against {against}; no instrument took part");
        let (head, body) = page.split_once("</header>").expect("a head");
        assert_holds(head, &["<b>A replay, not a measurement:</b>", &words]);
        assert_holds(body, &["on the replayed bench", &format!(">{words}</td>")]);
        assert!(!page.contains(">hardware</td>"), "{page}");
    };
    Against::ALL.into_iter().for_each(check);
}

#[test]
fn every_capture_is_drawn_with_its_figures() {
    let page = story_page();
    check_balance(&page);
    assert_eq!(page.matches("<svg class=\"iq\"").count(), 4);
    assert_holds(
        &page,
        &[
            "4 measurements, 1 beam search, 1 warning or error.",
            "<h3>aligned</h3>",
            "<h3>rotated</h3>",
            "<h3>recovered</h3>",
            "<h3>coded</h3>",
            "Constellation of rotated: 1\u{202f}200 of 1\u{202f}200 symbols, 4 ideal places",
            "2 to 3, 1 of them not kept",
            "Measured <b>rotated</b> (qpsk uncoded): SNR 4.3 dB",
            "<b>Completed.</b> All 3 expectations held.",
            "below 3.2e-5 (95 %)",
            "0.051 (95 %: 0.050 … 0.052)",
            "5\u{202f}861 of 114\u{202f}688",
            "<b>Simulated bench.</b>",
            "14 probes, 5 of them without a frame; chose receive beam -21 deg (SNR 16.6 dB), \
             12.3 dB better than before.",
            "<td data-head=\"Asked\">250 mV</td><td data-head=\"Read back\">200 mV</td>\
             <td data-head=\"Agreement\"><strong class=\"differs\">differs</strong></td>",
            "no answer within 2 s; asked again and answered",
            "Radio-frequency exposure",
            "beamwarden 0.1.0",
        ],
    );
}

#[test]
fn a_rate_of_no_errors_is_never_zero() {
    let page = story_page();
    for wrong in ["BER 0 ", "BER 0<", "BER 0,", "<code>ber</code></td><td>0<"] {
        assert!(!page.contains(wrong), "{wrong:?}");
    }
    // A bound is a hollow mark, and three of the four captures have no errors.
    assert_eq!(page.matches("class=\"hollow\"").count(), 3);
}

#[test]
fn the_page_needs_no_network_and_no_other_file() {
    let mut pages = vec![story_page(), page_of(|root| fixture::sweep(root, 200))];
    pages.iter_mut().for_each(|page| *page = page.to_lowercase());
    for page in pages {
        for outside in ["http", "src=", "@import", "<script", "<link", "<iframe", "javascript:"] {
            assert!(!page.contains(outside), "the page must not hold {outside}");
        }
        for (at, _) in page.match_indices("url(") {
            assert_eq!(&page[at..at + 5], "url(#", "a reference within the page");
        }
        for (at, _) in page.match_indices("href=\"") {
            let target = page[at + 6..].split('"').next().expect("a closed attribute");
            let anchor = target.strip_prefix('#').expect("a place within the page");
            assert!(page.contains(&format!("id=\"{anchor}\"")), "{target} leads nowhere");
        }
    }
}

#[test]
fn a_two_sided_search_is_a_map_and_a_sweep_has_its_axis() {
    let page = page_of(|root| fixture::sweep(root, 200));
    check_balance(&page);
    assert_eq!(page.matches("<svg class=\"iq\"").count(), 18);
    assert_holds(
        &page,
        &[
            "<b>Completed, not as expected.</b> 8 of 18 expectations did not hold.",
            "turntable.angle (deg)",
            "receive beam (deg) -60, transmit beam (deg) -60: no frame found",
            "class=\"nothing\"",
            ">chosen</text>",
            ">before</text>",
            ">runner-up</text>",
            "does not hold",
        ],
    );
}

const HOSTILE: &str = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>\u{202e}&amp;";

fn hostile(root: &Path) -> RunFolder {
    let mut writer = Writer::begin(root, HOSTILE);
    writer.set(HOSTILE, RecordedValue::plain(HOSTILE), RecordedValue::number(1.0, HOSTILE));
    writer.log(Event::PointStarted(PointStarted {
        point: 1,
        position: vec![AxisValue {
            axis: HOSTILE.to_owned(),
            value: RecordedValue::plain(HOSTILE),
        }],
    }));
    let shot = Shot { label: HOSTILE, frame: HOSTILE, ..STORY[1] };
    let capture = writer.shoot(&shot, Some(1));
    writer.shoot(&shot, None);
    writer.log(Event::Figures(FiguresFound {
        capture,
        label: None,
        point: None,
        analysis_version: HOSTILE.to_owned(),
        figures: vec![
            Figure::plain(HOSTILE, HOSTILE),
            Figure::number("x", Some(1.0), Some(HOSTILE)),
        ],
    }));
    writer.log(Event::Expectation(Expectation {
        capture: Some(capture),
        point: None,
        figure: HOSTILE.to_owned(),
        wanted: HOSTILE.to_owned(),
        measured: Some(RecordedValue::plain(HOSTILE)),
        passed: false,
    }));
    writer.log(Event::Note(Note {
        level: Level::Error,
        class: None,
        instrument: Some(HOSTILE.to_owned()),
        message: HOSTILE.to_owned(),
    }));
    writer.search_called(SearchSide::Rx, 3.0, HOSTILE);
    writer.end(Outcome::Failed, 1, 1)
}

#[test]
fn hostile_text_stays_text() {
    let page = page_of(hostile);
    check_balance(&page);
    for element in ["<script", "<img", "\u{202e}"] {
        assert!(!page.contains(element), "{element:?} got through");
    }
    assert!(page.contains("&lt;script&gt;alert(1)"), "the text itself is shown");
    // Within a tag the text stands in attributes alone: its quotes did not end one.
    for (tag, _) in page.split('<').filter_map(|piece| piece.split_once('>')) {
        let outside: String = tag.split('"').step_by(2).collect();
        assert!(!outside.contains("alert("), "{tag}");
    }
}

#[test]
fn what_is_left_of_a_damaged_run_is_still_told() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 100);
    let remove = |file: &str| fs::remove_file(folder.path().join(file)).expect("a file of the run");
    remove("captures/000002.analysis.json");
    remove("captures/000003.analysis.json");
    remove("captures/000004.sigmf-meta");
    fs::write(folder.path().join("captures/000005.analysis.json"), "{").expect("room");
    let journal = fs::read_to_string(folder.journal_path()).expect("the journal");
    let cut = journal.replacen("\"label\":\"coded\"", "\"label\":\"c0ded\"", 1);
    fs::write(folder.journal_path(), &cut[..cut.len() - 20]).expect("room on the disk");
    let page = page(&folder).expect("a readable journal");
    check_balance(&page);
    assert_eq!(page.matches("<svg class=\"iq\"").count(), 2);
    assert_holds(
        &page,
        &[
            "Not drawn: analysis file not readable.",
            "class=\"verdict bad\"><b>Damaged record.</b> The journal has 2 faults",
            "What is left says: <b>No end recorded.</b>",
            "does not fit its checksum",
            "is unfinished",
        ],
    );
}

#[test]
fn an_empty_run_has_a_page() {
    let page = page_of(|root| {
        let folder = RunFolder::create(root, "empty", fixture::start()).expect("a folder");
        folder.start_journal(fixture::start()).expect("a new journal");
        folder
    });
    check_balance(&page);
    assert_holds(
        &page,
        &[
            "Nothing was measured.",
            "No beam search was made.",
            "<b>No end recorded.</b>",
            "Whether the bench reached its safe state is not recorded.",
        ],
    );
}

/// A journal of many points, written at once: a real one is flushed line by line.
fn long_run(root: &Path, points: u32) -> RunFolder {
    let folder = RunFolder::create(root, "long", fixture::start()).expect("a folder");
    drop(folder.start_journal(fixture::start()).expect("a new journal"));
    let mut text = fs::read_to_string(folder.journal_path()).expect("the journal");
    let mut seq = 1;
    let mut log = |event: Event| {
        let line = Entry { seq, at: fixture::start(), event }.emit().expect("plain values");
        text.push_str(&line);
        seq += 1;
    };
    let symbols: Vec<[f32; 2]> = {
        let mut noise = fixture::Noise(3);
        (0..4000).map(|_| noise.normal_pair()).map(|(i, q)| [i as f32, q as f32]).collect()
    };
    for k in 1..=points {
        let (capture, point) = (CaptureNo(k), Some(u64::from(k)));
        let axis = |name: &str, value: f64| AxisValue {
            axis: name.to_owned(),
            value: RecordedValue::number(value, "deg"),
        };
        let position = vec![axis("turntable.angle", f64::from(k) / 100.0)];
        log(Event::PointStarted(PointStarted { point: u64::from(k), position }));
        log(Event::Capture(CaptureTaken {
            capture,
            file: format!("captures/{capture}.sigmf-data"),
            sha512: String::new(),
            meta_sha256: String::new(),
            label: None,
            point,
            clipped_fraction: Some(0.0),
            doubts: Vec::new(),
        }));
        let figures = vec![
            Figure::number(figure_names::EVM_DB, Some(-16.0 + f64::from(k % 7)), Some("dB")),
            Figure::number(figure_names::BER, Some(1e-3), None),
            Figure::number(figure_names::BER_LOW_95, Some(0.9e-3), None),
            Figure::number(figure_names::BER_HIGH_95, Some(1.1e-3), None),
        ];
        let mut analysis = crate::record::Analysis::new(capture, "1", figures);
        log(Event::Figures(analysis.event()));
        log(Event::Expectation(Expectation {
            capture: Some(capture),
            point,
            figure: figure_names::EVM_DB.to_owned(),
            wanted: "at most -12 dB".to_owned(),
            measured: Some(RecordedValue::number(-11.0, "dB")),
            passed: false,
        }));
        if k % 40 == 1 {
            analysis.constellation =
                crate::record::Constellation::select(symbols.iter().copied(), vec![[1.0, 0.0]]);
            folder.write_analysis(&analysis).expect("room on the disk");
        }
    }
    fs::write(folder.journal_path(), text).expect("room on the disk");
    folder
}

#[test]
fn ten_thousand_points_make_a_page_of_bounded_size() {
    let page = page_of(|root| long_run(root, 10_000));
    check_balance(&page);
    let bytes = page.len();
    assert!(bytes < 10_000_000, "{bytes} bytes");
    assert_holds(
        &page,
        &["8\u{202f}000 more measurements", "10000 of 10000 expectations do not hold"],
    );
    println!("page of 10 000 points: {bytes} bytes");
}

/// The text of the story without its tags, a line an item.
fn story_lines(page: &str) -> Vec<String> {
    let list = page.split_once("<ol class=\"story\">").expect("a story").1;
    let list = list.split_once("</ol>").expect("a closed list").0;
    let plain = |item: &str| {
        let tail = |piece: &str| piece.split_once('>').map_or(piece, |(_, text)| text).to_owned();
        item.split('<').map(tail).collect::<String>().trim().to_owned()
    };
    list.split("<li>").skip(1).map(plain).collect()
}

fn line_of<'a>(lines: &'a [String], part: &str) -> &'a str {
    lines.iter().find(|line| line.contains(part)).unwrap_or_else(|| panic!("{part} in {lines:#?}"))
}

#[test]
fn beams_a_search_ends_on_are_told_with_it() {
    let page = page_of(|root| {
        let mut writer = Writer::begin(root, "beams");
        let mut steer = |side: &str, angle_deg: f64| {
            let angle = RecordedValue::number(angle_deg, "deg");
            writer.set(&format!("beam.{side}"), angle.clone(), angle);
            for element in 0..2 {
                let code = RecordedValue::plain(3_u64);
                writer.set(&format!("dut.{side}.phase.{element}"), code.clone(), code);
            }
        };
        // The sequence's own beams come right before those of the search.
        for (side, angle_deg) in
            [("tx", 5.0), ("rx", 6.0), ("tx", -59.999_999), ("rx", -18.951_006)]
        {
            steer(side, angle_deg);
        }
        writer.search(SearchSide::Both, -18.951_006);
        writer.end(Outcome::Completed, 0, 0)
    });
    let lines = story_lines(&page);
    assert!(line_of(&lines, "beam.tx 5 deg").ends_with("beam.rx 6 deg, 4 element weights."));
    let search = line_of(&lines, "Searched beams");
    let told = "Set beam.tx -60 deg, beam.rx -18.95 deg, 4 element weights.";
    assert!(search.ends_with(told), "{search}");
    assert!(page.contains("<code>beam.<wbr>rx</code>"));
}

#[test]
fn what_the_safe_state_switched_is_not_shown_as_the_run_left_it() {
    let on_off = |journalled: bool| {
        page_of(move |root| {
            let mut writer = Writer::begin(root, "safe");
            let on = RecordedValue::plain(true);
            writer.set("supply.output", on.clone(), on);
            let volts = RecordedValue::number(1.2, "V");
            writer.set("supply.voltage", volts.clone(), volts);
            if journalled {
                let off = RecordedValue::plain(false);
                writer.set("source.output", off.clone(), off.clone());
                writer.set("supply.output", off.clone(), off);
            }
            writer.end(Outcome::Completed, 0, 0)
        })
    };
    let read = |page: &str| {
        let row = page.split_once("<code>supply.<wbr>output</code></th>").expect("a row").1;
        let row = row.split_once("</tr>").expect("a closed row").0;
        row.split("<td")
            .skip(1)
            .filter_map(|cell| cell.split_once('>'))
            .map(|(_, cell)| cell.trim_end_matches("</td>").to_owned())
            .collect::<Vec<_>>()
    };
    for journalled in [false, true] {
        let page = on_off(journalled);
        check_balance(&page);
        assert_holds(
            &page,
            &["switched these: <code>source.<wbr>output</code> off, \
               <code>supply.<wbr>output</code> off."],
        );
        let cells = read(&page);
        assert_eq!(
            cells[..3],
            ["off (safe state)", if journalled { "off" } else { "–" }, "as asked"]
        );
        let lines = story_lines(&page);
        assert!(!lines.iter().any(|line| line.starts_with("Set") && line.contains("off")));
        assert!(line_of(&lines, "Set ").contains("supply.voltage 1.2 V."));
        line_of(
            &lines,
            "Brought the bench to its safe state: source.output: off, supply.output: off.",
        );
    }
}

#[test]
fn the_notes_of_the_sequence_stay_in_the_story() {
    let page = page_of(|root| {
        let mut writer = Writer::begin(root, "notes");
        for (level, message) in [(Level::Info, "both beams up"), (Level::Warning, "a hot chip")] {
            let message = message.to_owned();
            writer.log(Event::Note(Note { level, class: None, instrument: None, message }));
        }
        writer.end(Outcome::Completed, 0, 0)
    });
    assert_eq!(page.matches("both beams up").count(), 1);
    // In the story, in what happened, among the warnings.
    assert_eq!(page.matches("a hot chip").count(), 3);
}

#[test]
fn the_page_goes_where_it_is_wanted_and_never_over_the_record() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::story(root.path(), 16, 16);
    let file = root.path().join("elsewhere.html");
    assert_eq!(write_to(&folder, &file).expect("room on the disk"), file);
    let page = fs::read_to_string(&file).expect("the page just written");
    assert!(page.starts_with("<!doctype html>") && !folder.report_path().exists());
    write_to(&folder, &folder.report_path()).expect("the usual place");
    let journal = fs::read(folder.journal_path()).expect("the journal");
    for (wrong, why) in [
        (folder.journal_path(), "part of the run's record"),
        (root.path().join("none/page.html"), "make its folder first"),
        (root.path().to_owned(), "that is a folder"),
    ] {
        let told = write_to(&folder, &wrong).expect_err("refused").to_string();
        assert!(told.contains(why), "{told}");
    }
    assert_eq!(fs::read(folder.journal_path()).expect("the journal"), journal);
}
