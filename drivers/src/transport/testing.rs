//! What the tests of several links share: a supply that answers one question too late.

use crate::instrument::{Instrument, RawAnswer};
use crate::value::Value;

/// The question that is answered too late.
pub(super) const LATE: &str = "SYSTem:VERSion?";

/// What the supply answers to a line.
pub(super) fn supply_answer(line: &str) -> &'static str {
    match line {
        "*IDN?" => "Test Works,SUPPLY-1,0,0.1",
        "SYSTem:ERRor:NEXT?" => "0,\"No error\"",
        LATE => "1999.0",
        "*ESR?" => "0",
        query if query.ends_with('?') => "1.2",
        _ => "",
    }
}

/// A setting read back, a question that is answered too late, and the way back, three times.
pub(super) async fn check_late_answers(supply: &mut Instrument) {
    for _ in 0..3 {
        assert!(supply.set("voltage", &Value::Number(1.2)).await.unwrap().matched);
        let error = supply.query_raw(LATE).await.unwrap_err();
        assert!(error.to_string().contains("nothing came in time"), "{error}");
        let RawAnswer::Line(answer) = supply.query_raw("MEASure:VOLTage?").await.unwrap() else {
            panic!("a line is due")
        };
        assert_eq!(answer, "1.2");
    }
}
