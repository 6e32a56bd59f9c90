-- Tables of the catalogue; run within a transaction. An index over the journals of all runs: made anew when the version differs.
DROP TABLE IF EXISTS expectations;
DROP TABLE IF EXISTS measurement_figures;
DROP TABLE IF EXISTS measurements;
DROP TABLE IF EXISTS figures;
DROP TABLE IF EXISTS settings;
DROP TABLE IF EXISTS captures;
DROP TABLE IF EXISTS axes;
DROP TABLE IF EXISTS points;
DROP TABLE IF EXISTS runs;

-- One row a run. outcome is null while the run goes on, or when it was cut off.
CREATE TABLE runs (
    id INTEGER PRIMARY KEY,
    run TEXT NOT NULL UNIQUE,
    sequence TEXT,
    bench TEXT,
    version TEXT,
    seed TEXT,                    -- a text, as SQLite's integers end at 2^63
    simulated INTEGER,
    replay_of TEXT,               -- name of the run that this one is a replay of; null when it is none
    replay_against TEXT,
    replay_model TEXT,
    started_at TEXT,
    ended_at TEXT,
    outcome TEXT,
    message TEXT,
    expectations_failed INTEGER NOT NULL DEFAULT 0,
    points_planned INTEGER,             -- null when that was not known at the start
    retries INTEGER NOT NULL DEFAULT 0, -- actions that failed and were tried again
    journal_bytes INTEGER NOT NULL,
    journal_changed INTEGER NOT NULL,   -- nanoseconds since 1970; 0 when the file system does not tell
    journal_faults INTEGER NOT NULL,
    unreadable TEXT                     -- why the journal cannot be read; null when it can
);

-- What was abandoned and begun anew is in none of the tables below but settings: it does not count.
CREATE TABLE points (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    point INTEGER NOT NULL,
    started_at TEXT NOT NULL,
    finished INTEGER NOT NULL DEFAULT 0,
    skipped TEXT,                       -- why it was given up; null when it was not
    PRIMARY KEY (run_id, point)
) WITHOUT ROWID;

-- Where a point lies on each sweep axis; place 0 is the outermost.
CREATE TABLE axes (
    run_id INTEGER NOT NULL,
    point INTEGER NOT NULL,
    place INTEGER NOT NULL,
    axis TEXT NOT NULL,
    number REAL,
    word TEXT,
    unit TEXT,
    PRIMARY KEY (run_id, point, place),
    FOREIGN KEY (run_id, point) REFERENCES points(run_id, point) ON DELETE CASCADE
) WITHOUT ROWID;

-- seq is the journal line that tells of the capture; it orders captures and settings. A capture that was
-- analysed and not kept has no file.
CREATE TABLE captures (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    capture INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    taken_at TEXT NOT NULL,
    label TEXT,
    point INTEGER,
    file TEXT,
    sha512 TEXT,
    clipped_fraction REAL,
    PRIMARY KEY (run_id, capture)
) WITHOUT ROWID;

-- One row each time a setting was made or confirmed.
CREATE TABLE settings (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    name TEXT NOT NULL,
    seq INTEGER NOT NULL,
    asked_number REAL,
    asked_word TEXT,
    asked_unit TEXT,
    read_number REAL,
    read_word TEXT,
    read_unit TEXT,
    read_at TEXT NOT NULL,
    matched INTEGER NOT NULL,
    PRIMARY KEY (run_id, name, seq)
) WITHOUT ROWID;

-- Figures of the latest analysis of each capture.
CREATE TABLE figures (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    capture INTEGER NOT NULL,
    name TEXT NOT NULL,
    number REAL,
    word TEXT,
    unit TEXT,
    PRIMARY KEY (run_id, capture, name)
) WITHOUT ROWID;
CREATE INDEX figures_by_name ON figures (name, number);

-- A measurement is one or more captures whose figures were taken together.
CREATE TABLE measurements (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    seq INTEGER NOT NULL,
    label TEXT,
    point INTEGER,
    frame TEXT,
    first_capture INTEGER,
    captures INTEGER NOT NULL,
    PRIMARY KEY (run_id, seq)
) WITHOUT ROWID;

CREATE TABLE measurement_figures (
    run_id INTEGER NOT NULL,
    seq INTEGER NOT NULL,
    name TEXT NOT NULL,
    number REAL,
    word TEXT,
    unit TEXT,
    spread REAL,                        -- standard deviation over the captures, where there are several
    PRIMARY KEY (run_id, seq, name),
    FOREIGN KEY (run_id, seq) REFERENCES measurements(run_id, seq) ON DELETE CASCADE
) WITHOUT ROWID;
CREATE INDEX measurement_figures_by_name ON measurement_figures (name, number);

CREATE TABLE expectations (
    run_id INTEGER NOT NULL REFERENCES runs(id) ON DELETE CASCADE,
    seq INTEGER NOT NULL,
    capture INTEGER,
    point INTEGER,
    figure TEXT NOT NULL,
    wanted TEXT NOT NULL,
    measured_number REAL,
    measured_word TEXT,
    measured_unit TEXT,
    passed INTEGER NOT NULL,
    PRIMARY KEY (run_id, seq)
) WITHOUT ROWID;

PRAGMA user_version = 5;
