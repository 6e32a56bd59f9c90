//! What the page tells of a night: the paragraph, the rows, the drift; bounded whatever happened.

use super::*;

/// Rows of the table of what happened: time, point, what, told.
fn happened_rows(page: &str) -> Vec<Vec<String>> {
    let section = page.split_once("id=\"happened\"").expect("the section").1;
    let section = section.split_once("</section>").expect("a closed section").0;
    let body = section.split_once("<tbody>").expect("a table").1.split_once("</tbody>");
    let plain = |cell: &str| {
        let tail = |piece: &str| piece.split_once('>').map_or(piece, |(_, text)| text).to_owned();
        cell.split('<').map(tail).collect::<String>().trim().to_owned()
    };
    let cells = |row: &str| {
        let row = row.replace("</th>", "</td>");
        let cells = row.split("</td>").map(plain).collect::<Vec<_>>();
        cells[..cells.len() - 1].to_vec()
    };
    body.expect("a closed table").0.split("<tr>").skip(1).map(cells).collect()
}

#[test]
fn the_page_tells_what_happened_in_the_night() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::night(root.path());
    assert_eq!(crate::record::verify(&folder).expect("a readable journal"), []);
    let page = page(&folder).expect("a readable journal");
    check_balance(&page);
    let told = happened(&folder).expect("a readable journal");
    assert!(page.contains(&html::escape(&told.summary)), "{}", told.summary);
    for part in [
        "23 of 24 points were finished in",
        "3 actions were tried again, 1 point was given up",
        "the supply failed at 22:41 UTC and worked again 8.2 s later",
        "settings were made again once",
        "the interlock 'hot chip' tripped at 23:41 UTC",
        "the run paused twice, for 10 min 00 s in all",
        "it was interrupted and went on once",
        "the reference was measured 6 times, 1 of these beyond its bands",
        "1 question was asked and answered by default",
        "1 notification did not get through",
        "The preflight passed (3 checks).",
        "The bench was brought to its safe state at the end.",
    ] {
        assert!(told.summary.contains(part), "{part:?} in {}", told.summary);
    }
}

#[test]
fn the_night_is_in_order_of_time_and_alike_ones_are_one_row() {
    let root = tempfile::tempdir().expect("a temporary folder");
    let folder = fixture::night(root.path());
    let told = happened(&folder).expect("a readable journal");
    let page = page(&folder).expect("a readable journal");
    let rows = happened_rows(&page);
    let whats: Vec<&str> = rows.iter().map(|row| row[2].as_str()).collect();
    assert_eq!(
        whats,
        [
            "Preflight passed",
            "Warning",
            "Failure",
            "Settings made again",
            "Begun anew",
            "Interlock",
            "Paused",
            "Went on",
            "Failure",
            "Given up",
            "Question",
            "Resumed",
            "Begun anew",
            "Notification failed",
            "Drift beyond its band",
            "Paused",
            "Went on",
        ]
    );
    let row = |what: &str| rows.iter().find(|row| row[2] == what).expect("a row");
    assert!(row("Warning")[3].ends_with("(41 times alike)"), "{:?}", row("Warning"));
    let failure = &row("Failure")[3];
    assert_eq!(
        failure,
        "supply, transient: no answer within 2 s (sequence.yaml:12); tried again after 1 s (3 times \
         alike)"
    );
    assert_eq!(row("Failure")[1], "5");
    assert_eq!(row("Given up")[1], "12");
    // The day, as the night goes over midnight.
    assert!(row("Resumed")[0].starts_with("15 Mar "), "{:?}", row("Resumed"));
    assert_eq!(
        row("Drift beyond its band")[3],
        "reference 6: evm_db moved by 1.4 dB since the first time (at most 1.0 dB)"
    );
    assert_eq!(told.lines.len(), rows.len());

    assert_holds(
        &page,
        &[
            "evm_db, at most 1.0 dB either way",
            "Parameters of the sequence",
            "<td data-head=\"Value\">10\u{202f}000\u{202f}000</td><td data-head=\"From\">given for this run</td>",
            "<td data-head=\"From\">the sequence's default</td>",
            "-16.7 ± 0.25 dB",
            "standard deviation over the captures",
            "(does not count: it was begun anew)",
            "41 alike, from",
        ],
    );
    // 23 points, and the abandoned measurement is none of them; six references and one
    // capture beside a measurement.
    assert_holds(&page, &["30 measurements, 1 beam search"]);
}

#[test]
fn settings_that_only_the_captures_found_are_in_the_table() {
    let page = page_of(|root| {
        let mut writer = Writer::begin(root, "snapshots");
        writer.shoot(&STORY[0], None);
        writer.end(Outcome::Completed, 0, 0)
    });
    assert_holds(
        &page,
        &[
            "<code>scope.<wbr>range</code></th><td data-head=\"Asked\">250 mV</td>",
            "Settings that the run never made are as its captures found them.",
        ],
    );
}

#[test]
fn a_long_run_of_trouble_is_bounded_too() {
    let page = page_of(|root| {
        let folder = RunFolder::create(root, "trouble", fixture::start()).expect("a folder");
        drop(folder.start_journal(fixture::start()).expect("a new journal"));
        let mut text = fs::read_to_string(folder.journal_path()).expect("the journal");
        for seq in 1..20_000_u64 {
            let at = fixture::start() + jiff::SignedDuration::from_secs(700 * seq as i64);
            let event = Event::Failure(crate::record::Failure {
                class: crate::record::FaultClass::Instrument,
                instrument: Some(format!("scope {}", "x".repeat(seq as usize % 300))),
                message: "\u{7}".repeat(40),
                point: Some(seq),
                attempt: 1,
                remedy: crate::record::Remedy::WentOn,
                wait_s: None,
            });
            text.push_str(&Entry { seq, at, event }.emit().expect("plain values"));
        }
        fs::write(folder.journal_path(), text).expect("room on the disk");
        folder
    });
    check_balance(&page);
    assert_eq!(happened_rows(&page).len(), 400);
    assert_holds(&page, &["19\u{202f}599 more events stand in the journal"]);
    assert!(page.len() < 2_000_000, "{}", page.len());
}
