//! Run folders for tests. Every figure in them is INVENTED: no bench, real or simulated, gave them.
//!
//! Elementary functions are those of `libm`, so that a fixture is the same on every machine.

use std::f64::consts::TAU;
use std::path::Path;

use jiff::{SignedDuration, Timestamp};

use super::*;

mod night;

pub(crate) use night::night;

/// A seeded source of noise (SplitMix64), so that a fixture is the same every time.
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform within 0 … 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A pair of independent normal deviates (Box and Muller).
    pub(crate) fn normal_pair(&mut self) -> (f64, f64) {
        let radius = (-2.0 * libm::log(1.0 - self.uniform())).sqrt();
        let (sin, cos) = libm::sincos(TAU * self.uniform());
        (radius * cos, radius * sin)
    }
}

/// When every fixture starts.
pub(crate) fn start() -> Timestamp {
    "2026-03-14T21:40:07Z".parse().expect("a literal RFC 3339 time")
}

/// One capture of the invented story.
pub(crate) struct Shot {
    pub(crate) label: &'static str,
    pub(crate) frame: &'static str,
    /// Levels of each component: 2 for QPSK, 4 for 16-QAM.
    pub(crate) levels: u32,
    pub(crate) snr_db: f64,
    pub(crate) bits: u64,
    pub(crate) bit_errors: u64,
}

pub(crate) const STORY: [Shot; 4] = [
    Shot {
        label: "aligned",
        frame: "qpsk uncoded",
        levels: 2,
        snr_db: 17.1,
        bits: 114_688,
        bit_errors: 0,
    },
    Shot {
        label: "rotated",
        frame: "qpsk uncoded",
        levels: 2,
        snr_db: 4.3,
        bits: 114_688,
        bit_errors: 5_861,
    },
    Shot {
        label: "recovered",
        frame: "qpsk uncoded",
        levels: 2,
        snr_db: 16.6,
        bits: 114_688,
        bit_errors: 0,
    },
    Shot {
        label: "coded",
        frame: "16-qam mcs 12",
        levels: 4,
        snr_db: 16.7,
        bits: 65_536,
        bit_errors: 0,
    },
];

/// A run being written, with a clock that steps.
pub(crate) struct Writer {
    pub(crate) folder: RunFolder,
    pub(crate) journal: Journal,
    pub(crate) noise: Noise,
    pub(crate) now: Timestamp,
    captures: u32,
    kept: u64,
    /// Samples of each capture.
    pub(crate) samples: usize,
    /// Symbols of each constellation.
    pub(crate) symbols: usize,
    /// Parameters that the run is said to have.
    parameters: Vec<ParameterValue>,
}

impl Writer {
    pub(crate) fn begin(root: &Path, sequence: &str) -> Self {
        Self::begin_replay(root, sequence, None)
    }

    pub(crate) fn begin_replay(root: &Path, sequence: &str, replay: Option<ReplayOf>) -> Self {
        let mut writer = Self::new(root, sequence);
        writer.introduce(sequence, replay, None);
        writer
    }

    /// A run that says how many points it plans.
    pub(crate) fn begin_planned(root: &Path, sequence: &str, planned: Option<u64>) -> Self {
        let mut writer = Self::new(root, sequence);
        writer.introduce(sequence, None, planned);
        writer
    }

    fn new(root: &Path, sequence: &str) -> Self {
        let folder = RunFolder::create(root, sequence, start()).expect("a temporary folder");
        let journal = folder.start_journal(start()).expect("a temporary folder");
        Self {
            folder,
            journal,
            noise: Noise(7),
            now: start(),
            captures: 0,
            kept: 0,
            samples: 16,
            symbols: 64,
            parameters: Vec::new(),
        }
    }

    pub(crate) fn log(&mut self, event: Event) {
        self.now += SignedDuration::from_millis(730);
        self.journal.append(self.now, event).expect("a temporary folder");
    }

    fn introduce(&mut self, sequence: &str, replay: Option<ReplayOf>, planned: Option<u64>) {
        let freeze = |file: &str, text: &str| self.folder.freeze(file, text).expect("a new file");
        let inputs = vec![
            freeze("sequence.yaml", &format!("sequence: {sequence}\n")),
            freeze("bench.yaml", "bench: packing-arm\n"),
            freeze("profiles/scpi-scope.yaml", "profile: scpi-scope\n"),
        ];
        self.log(Event::RunStarted(RunStarted {
            run: self.folder.name().to_owned(),
            sequence: sequence.to_owned(),
            bench: "packing-arm".to_owned(),
            version: "0.1.0".to_owned(),
            seed: Some(7),
            simulated: replay.as_ref().is_none_or(|replay| replay.against == Against::Model),
            inputs,
            parameters: self.parameters.clone(),
            points_planned: planned,
            replay,
        }));
        for (name, role) in [
            ("source", "waveform source"),
            ("scope", "scope"),
            ("dut", "dut control port"),
            ("turntable", "turntable"),
            ("supply", "supply"),
        ] {
            self.log(Event::Instrument(InstrumentFound {
                name: name.to_owned(),
                role: role.to_owned(),
                identity: format!("beamwarden,simulated {name},invented,0.1.0"),
                profile: format!("scpi-{name}.yaml"),
            }));
        }
    }

    pub(crate) fn set(&mut self, name: &str, asked: RecordedValue, read_back: RecordedValue) {
        let matched = asked == read_back;
        let setting = SettingRecord {
            name: name.to_owned(),
            asked: Some(asked),
            read_back,
            at: self.now,
            age_s: None,
            after: None,
            matched,
        };
        self.log(Event::Setting(SettingDone { setting, skipped: false, part_of: None }));
    }

    pub(crate) fn prepare(&mut self) {
        let same = |writer: &mut Self, name: &str, value: RecordedValue| {
            writer.set(name, value.clone(), value);
        };
        let number = RecordedValue::number;
        same(self, "supply.voltage", number(1.2, "V"));
        same(self, "supply.output", RecordedValue::plain(true));
        same(self, "source.sample_rate", number(7.04e9, "Hz"));
        same(self, "source.amplitude", number(0.35, "V"));
        self.set("scope.range", number(0.25, "V"), number(0.2, "V"));
        same(self, "scope.trigger_source", RecordedValue::plain("external"));
        same(self, "dut.tx.channel", RecordedValue::plain(3_u64));
        same(self, "dut.rx.gain", RecordedValue::plain(18_u64));
    }

    pub(crate) fn turn(&mut self, angle_deg: f64) {
        let value = RecordedValue::number(angle_deg, "deg");
        self.set("turntable.angle", value, RecordedValue::number(angle_deg + 0.01, "deg"));
    }

    pub(crate) fn capture_record(&self, shot: &Shot, point: Option<u64>) -> CaptureRecord {
        let channel = |name: &str| ChannelScale {
            name: name.to_owned(),
            volts_per_code: 0.000_390_625,
            offset_v: 0.0,
            bits: 10,
        };
        CaptureRecord {
            capture: CaptureNo(self.captures),
            label: Some(shot.label.to_owned()),
            taken_at: self.now,
            sample_rate_hz: 8e9,
            centre_hz: Some(62.64e9),
            channels: [channel("CH1"), channel("CH2")],
            point,
            step: Some(format!("steps[{}]: measure", self.captures)),
            position: Vec::new(),
            settings: vec![SettingRecord {
                name: "scope.range".to_owned(),
                asked: Some(RecordedValue::number(0.25, "V")),
                read_back: RecordedValue::number(0.2, "V"),
                at: start(),
                age_s: Some(4.5),
                after: None,
                matched: false,
            }],
            readings: vec![ReadingRecord {
                name: "dut.rx.temperature".to_owned(),
                value: RecordedValue::number(41.25, "degC"),
                at: start(),
            }],
            frame: Some(FrameRecord {
                rms_dbfs: None,
                crest_factor_db: None,
                name: shot.frame.to_owned(),
                modulation: if shot.levels == 2 { "QPSK" } else { "16-QAM" }.to_owned(),
                code: None,
                symbol_rate_hz: 1.76e9,
                roll_off: Some(0.25),
                payload_bits: Some(shot.bits),
                payload_generator: Some("PRBS15".to_owned()),
                payload_seed: Some(1),
                payload_sha256: None,
                ..FrameRecord::default()
            }),
            beams: vec![BeamRecord {
                array: "rx".to_owned(),
                beam: None,
                steer_deg: Some(-21.0),
                phase_codes: vec![0, 6, 11, 17, 23, 29, 2, 8],
                attenuation_codes: vec![0; 8],
            }],
            doubts: Vec::new(),
            provenance: RunProvenance {
                run: self.folder.name().to_owned(),
                sequence: "rotate-and-recover".to_owned(),
                bench: "packing-arm".to_owned(),
                version: "0.1.0".to_owned(),
                seed: Some(7),
                simulated: true,
                instruments: vec![InstrumentRecord {
                    name: "scope".to_owned(),
                    role: "scope".to_owned(),
                    identity: "beamwarden,simulated scope,invented,0.1.0".to_owned(),
                    profile: "scpi-scope.yaml".to_owned(),
                    profile_sha256: None,
                }],
            },
        }
    }

    /// An invented measurement of one kept capture.
    pub(crate) fn measure(&mut self, shot: &Shot, point: Option<u64>) -> CaptureNo {
        let capture = self.shoot(shot, point);
        let figures = self.folder.read_analysis(capture).expect("just written").figures;
        self.measured(shot, point, vec![capture], figures);
        capture
    }

    /// An invented measurement of several captures, of which only the first is kept.
    pub(crate) fn measure_several(&mut self, shot: &Shot, captures: u32) -> CaptureNo {
        self.measure_several_at(shot, captures, None)
    }

    /// As [`Self::measure_several`], at a point.
    fn measure_several_at(&mut self, shot: &Shot, captures: u32, point: Option<u64>) -> CaptureNo {
        let each = Shot {
            bits: shot.bits / u64::from(captures),
            bit_errors: shot.bit_errors / u64::from(captures),
            ..*shot
        };
        let first = self.shoot(&each, point);
        let mut all = vec![first];
        for _ in 1..captures {
            self.captures += 1;
            all.push(CaptureNo(self.captures));
            self.keep_analysis(&each, point);
        }
        let figures = self.analyse(shot, point).figures;
        self.measured(shot, point, all, figures);
        first
    }

    fn measured(
        &mut self,
        shot: &Shot,
        point: Option<u64>,
        captures: Vec<CaptureNo>,
        figures: Vec<Figure>,
    ) {
        let spread = match captures.len() {
            1 => Vec::new(),
            _ => vec![
                Figure::number(figure_names::EVM_DB, Some(0.25), Some("dB")),
                Figure::number(figure_names::SNR_DB, Some(0.31), Some("dB")),
            ],
        };
        self.log(Event::Measurement(MeasurementDone {
            label: Some(shot.label.to_owned()),
            point,
            frame: Some(shot.frame.to_owned()),
            captures,
            figures,
            spread,
            doubts: Vec::new(),
        }));
    }

    /// Takes one invented capture, with its analysis.
    pub(crate) fn shoot(&mut self, shot: &Shot, point: Option<u64>) -> CaptureNo {
        self.captures += 1;
        let record = self.capture_record(shot, point);
        let mut code = || (120.0 * self.noise.normal_pair().0) as i16;
        let i: Vec<i16> = (0..self.samples).map(|_| code()).collect();
        let q: Vec<i16> = (0..self.samples).map(|_| code()).collect();
        let taken = self
            .folder
            .write_capture(&record, CaptureSamples::Codes { i: &i, q: &q })
            .expect("a new capture");
        self.kept += 1;
        self.log(Event::Capture(taken));
        self.keep_analysis(shot, point);
        record.capture
    }

    fn keep_analysis(&mut self, shot: &Shot, point: Option<u64>) {
        let analysis = self.analyse(shot, point);
        self.folder.write_analysis(&analysis).expect("a temporary folder");
        self.log(Event::Figures(analysis.event()));
    }

    fn analyse(&mut self, shot: &Shot, point: Option<u64>) -> Analysis {
        let rate = shot.bit_errors as f64 / shot.bits as f64;
        let spread = 1.96 * (rate * (1.0 - rate) / shot.bits as f64).sqrt();
        // Upper end of the exact interval at no errors: 1 - 0.025^(1/bits), nearly 3.689/bits.
        let high = if shot.bit_errors == 0 { 3.689 / shot.bits as f64 } else { rate + spread };
        let number = |name: &str, value: f64, unit| Figure::number(name, Some(value), unit);
        let figures = vec![
            number(figure_names::EVM_DB, -shot.snr_db + 0.4, Some("dB")),
            number(figure_names::SNR_DB, shot.snr_db, Some("dB")),
            number(figure_names::CFO_HZ, 152_300.0, Some("Hz")),
            Figure::count(figure_names::BITS, shot.bits),
            Figure::count(figure_names::BIT_ERRORS, shot.bit_errors),
            number(figure_names::BER, rate, None),
            number(figure_names::BER_LOW_95, (rate - spread).max(0.0), None),
            number(figure_names::BER_HIGH_95, high, None),
            Figure::plain("detected", true),
            Figure::number("iq_gain_db", None, Some("dB")),
        ];
        let mut analysis = Analysis::new(CaptureNo(self.captures), "1", figures);
        analysis.label = Some(shot.label.to_owned());
        analysis.point = point;
        analysis.constellation = self.constellation(shot);
        analysis.channel = (-4..=4)
            .map(|k| ChannelPoint {
                offset_hz: f64::from(k) * 220e6,
                magnitude_db: -0.08 * f64::from(k * k),
            })
            .collect();
        analysis.evm_per_block_db =
            (0..8).map(|_| Some(-shot.snr_db + self.noise.normal_pair().0 * 0.3)).collect();
        analysis
    }

    fn constellation(&mut self, shot: &Shot) -> Constellation {
        let levels: Vec<f64> =
            (0..shot.levels).map(|k| f64::from(2 * k) - f64::from(shot.levels - 1)).collect();
        let power = 2.0 * levels.iter().map(|l| l * l).sum::<f64>() / levels.len() as f64;
        let unit = power.sqrt().recip();
        let ideal: Vec<[f32; 2]> = levels
            .iter()
            .flat_map(|i| levels.iter().map(move |q| [(i * unit) as f32, (q * unit) as f32]))
            .collect();
        let sigma = libm::pow(10.0, -shot.snr_db / 20.0) / 2_f64.sqrt();
        let points: Vec<[f32; 2]> = (0..self.symbols)
            .map(|_| {
                let sent = ideal[(self.noise.uniform() * ideal.len() as f64) as usize];
                let (di, dq) = self.noise.normal_pair();
                [sent[0] + (sigma * di) as f32, sent[1] + (sigma * dq) as f32]
            })
            .collect();
        Constellation::select(points.into_iter(), ideal)
    }

    pub(crate) fn expect(&mut self, capture: CaptureNo, evm_db: f64) {
        self.log(Event::Expectation(Expectation {
            capture: Some(capture),
            point: None,
            figure: figure_names::EVM_DB.to_owned(),
            wanted: "at most -12 dB".to_owned(),
            measured: Some(RecordedValue::number(evm_db, "dB")),
            passed: evm_db <= -12.0,
        }));
    }

    /// A search over one side around `best_deg`, or over both with the other side best at 0.
    pub(crate) fn search(&mut self, side: SearchSide, best_deg: f64) {
        self.search_called(side, best_deg, "coarse to fine");
    }

    /// As [`Self::search`], by a strategy of this name.
    pub(crate) fn search_called(&mut self, side: SearchSide, best_deg: f64, strategy: &str) {
        let beams = || (-4..=4).map(|k| f64::from(k) * 15.0);
        let tx_beams: Vec<f64> =
            if side == SearchSide::Both { beams().collect() } else { vec![0.0] };
        let link = |tx: f64, rx: f64| 17.0 - 0.02 * (rx - best_deg).powi(2) - 0.02 * tx.powi(2);
        let mut probes: Vec<Probe> = Vec::new();
        for &tx_deg in &tx_beams {
            for rx_deg in beams().chain([-6.0, -3.0, 0.0, 3.0, 6.0].map(|d| best_deg + d)) {
                let snr_db = Some(link(tx_deg, rx_deg)).filter(|snr| *snr > -8.0);
                probes.push(Probe { tx_deg, rx_deg, snr_db });
            }
        }
        let before = Probe { tx_deg: 0.0, rx_deg: 0.0, snr_db: Some(4.3) };
        let chosen = Probe { tx_deg: 0.0, rx_deg: best_deg, snr_db: Some(16.6) };
        let runner_up = Probe { tx_deg: 0.0, rx_deg: best_deg + 6.0, snr_db: Some(15.9) };
        self.log(Event::Search(SearchDone {
            label: None,
            position: Vec::new(),
            point: None,
            side,
            strategy: strategy.to_owned(),
            probes,
            before: Some(before),
            chosen: Some(chosen),
            runner_up: Some(runner_up),
            gain_db: Some(12.3),
            found: true,
        }));
    }

    /// Ends a run that gave points up.
    pub(crate) fn end_with(mut self, outcome: Outcome, points: u64, points_skipped: u64) {
        let captures = self.kept;
        self.log(Event::RunEnded(RunEnded {
            points_skipped,
            retries: 0,
            outcome,
            message: None,
            points,
            captures,
            expectations_failed: 0,
        }));
    }

    pub(crate) fn end(mut self, outcome: Outcome, points: u64, failed: u64) -> RunFolder {
        self.log(Event::SafeState(SafeState {
            done: vec!["source.output: off".to_owned(), "supply.output: off".to_owned()],
            failed: Vec::new(),
        }));
        let captures = self.kept;
        self.log(Event::RunEnded(RunEnded {
            points_skipped: 0,
            retries: 0,
            outcome,
            message: None,
            points,
            captures,
            expectations_failed: failed,
        }));
        self.folder
    }
}

/// An event of a point in short: `start 3`, `finish 3`, `skip 3`, `abandon 3`.
pub(crate) fn point_event(text: &str) -> Event {
    let (what, point) = text.split_once(' ').expect("an event and a number");
    let point: u64 = point.parse().expect("a number");
    let why = || "no answer".to_owned();
    match what {
        "start" => Event::PointStarted(PointStarted { point, position: Vec::new() }),
        "finish" => Event::PointFinished(PointFinished { point }),
        "skip" => {
            Event::PointSkipped(PointSkipped { point, class: FaultClass::Transient, why: why() })
        }
        "abandon" => Event::Abandoned(Abandoned { point: Some(point), step: None, why: why() }),
        other => panic!("no event {other}"),
    }
}

/// The story of the demo with invented figures.
pub(crate) fn story(root: &Path, samples: usize, symbols: usize) -> RunFolder {
    let mut writer = Writer::begin(root, "rotate-and-recover");
    (writer.samples, writer.symbols) = (samples, symbols);
    writer.prepare();
    writer.turn(0.0);
    let aligned = writer.measure(&STORY[0], None);
    writer.expect(aligned, -16.7);
    writer.turn(21.0);
    writer.log(Event::Note(Note {
        level: Level::Warning,
        class: Some(FaultClass::Transient),
        instrument: Some("turntable".to_owned()),
        message: "no answer within 2 s; asked again and answered".to_owned(),
    }));
    writer.measure_several(&STORY[1], 2);
    writer.search(SearchSide::Rx, -21.0);
    let recovered = writer.measure(&STORY[2], None);
    writer.expect(recovered, -16.2);
    let coded = writer.measure(&STORY[3], None);
    writer.expect(coded, -16.3);
    writer.end(Outcome::Completed, 0, 0)
}

/// A sweep over angle and frame with invented figures, a two-sided search and failed expectations.
pub(crate) fn sweep(root: &Path, symbols: usize) -> RunFolder {
    let mut writer = Writer::begin(root, "angle-map");
    writer.symbols = symbols;
    writer.prepare();
    writer.search(SearchSide::Both, 12.0);
    let mut point = 0;
    let mut failed = 0;
    for angle in (-60..=60).step_by(15) {
        let angle_deg = f64::from(angle);
        writer.turn(angle_deg);
        for shot in [&STORY[0], &STORY[3]] {
            point += 1;
            let position = vec![
                AxisValue {
                    axis: "turntable.angle".to_owned(),
                    value: RecordedValue::number(angle_deg, "deg"),
                },
                AxisValue { axis: "frame".to_owned(), value: RecordedValue::plain(shot.frame) },
            ];
            writer.log(Event::PointStarted(PointStarted { point, position }));
            let snr_db = shot.snr_db - 0.004 * angle_deg.powi(2);
            let rate = 0.5 * libm::erfc((libm::pow(10.0, snr_db / 10.0) / 2.0).sqrt());
            let bit_errors = (rate * shot.bits as f64) as u64;
            let shot = Shot { snr_db, bit_errors, label: "", ..*shot };
            let capture = writer.measure(&shot, Some(point));
            writer.expect(capture, -snr_db + 0.4);
            failed += u64::from(-snr_db + 0.4 > -12.0);
            writer.log(Event::PointFinished(PointFinished { point }));
        }
    }
    writer.end(Outcome::ExpectationFailed, point, failed)
}
