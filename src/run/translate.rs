//! The analysis in the record's words.

use crate::phy::analyse::Analysis;
use crate::phy::figures::FigureValue;
use crate::record::{Analysis as AnalysisFile, ChannelPoint, Constellation, Figure, Value};

/// The figures of an analysis for the record.
#[must_use]
pub fn figures_of(analysis: &Analysis) -> Vec<Figure> {
    analysis
        .figures
        .list()
        .into_iter()
        .map(|figure| Figure {
            name: figure.name.to_string(),
            value: match figure.value {
                FigureValue::Flag(flag) => Some(Value::Switch(flag)),
                FigureValue::Count(count) => Some(Value::Count(count)),
                FigureValue::Number(number) if number.is_finite() => Some(Value::Number(number)),
                FigureValue::Number(_) | FigureValue::Absent => None,
            },
            unit: (!figure.unit.is_empty()).then(|| figure.unit.to_string()),
        })
        .collect()
}

/// The curves of an analysis for the record: constellation, channel, EVM along the frame.
pub fn fill_curves(file: &mut AnalysisFile, analysis: &Analysis) {
    let ideal = analysis.constellation.map_or_else(Vec::new, |constellation| {
        constellation.points().iter().map(|point| [point.re, point.im]).collect()
    });
    let points = analysis.points.iter().map(|point| [point.re, point.im]);
    file.constellation = Constellation::select(points, ideal);
    file.channel = analysis
        .channel_response_db
        .iter()
        .map(|(offset_hz, magnitude_db)| ChannelPoint {
            offset_hz: *offset_hz,
            magnitude_db: *magnitude_db,
        })
        .collect();
    let finite = |db: &f64| Some(*db).filter(|db| db.is_finite());
    file.evm_per_block_db = analysis.evm_per_block_db.iter().map(finite).collect();
}
