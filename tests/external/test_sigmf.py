"""Captures of a run against the official SigMF validator and reader (PyPI sigmf)."""

import hashlib
import json
import pathlib
import subprocess
import sys

import jsonschema
import numpy
import pytest
import sigmf
import sigmf.schema


def captures(run):
    found = sorted((run / "captures").glob("*.sigmf-meta"))
    assert len(found) >= 8
    return found


def test_official_validator(story_run):
    for meta in captures(story_run):
        done = subprocess.run(
            [pathlib.Path(sys.executable).with_name("sigmf_validate"), str(meta)],
            capture_output=True, text=True, timeout=60,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert "warning" not in (done.stdout + done.stderr).lower()


def test_bare_schema_and_what_it_leaves_out(story_run):
    schema = sigmf.schema.get_schema()
    checker = jsonschema.Draft202012Validator.FORMAT_CHECKER
    for path in captures(story_run):
        text = path.read_text()
        assert "NaN" not in text and "Infinity" not in text
        meta = json.loads(text, object_pairs_hook=no_repetition)
        jsonschema.validate(meta, schema, format_checker=checker)
        data = path.with_suffix(".sigmf-data").read_bytes()
        assert meta["global"]["core:sha512"] == hashlib.sha512(data).hexdigest()
        assert meta["global"]["core:datatype"] == "ci16_le"
        assert len(data) % 4 == 0 and data
        declared = {entry["name"] for entry in meta["global"]["core:extensions"]}
        for part in [meta["global"], *meta["captures"], *meta["annotations"]]:
            for key in part:
                assert key.split(":")[0] in declared | {"core"}
        assert meta["captures"][0]["core:datetime"].endswith("Z")


def no_repetition(pairs):
    keys = [key for key, _ in pairs]
    assert len(keys) == len(set(keys)), f"repeated key among {keys}"
    return dict(pairs)


def test_a_stranger_reads_volts(story_run):
    """The Python reader's codes times our scale are volts within the scope's range."""
    for path in captures(story_run):
        recording = sigmf.fromfile(str(path), autoscale=False)
        samples = recording.read_samples()
        channels = recording.get_global_field("beamwarden:channels")
        bits = channels[0]["bits"]
        codes = numpy.stack([samples.real, samples.imag])
        assert codes.min() >= -(2 ** (bits - 1)) and codes.max() < 2 ** (bits - 1)
        volts = codes[0] * channels[0]["volts_per_code"] + channels[0]["offset_v"]
        settings = {
            entry["name"]: entry for entry in recording.get_captures()[0]["beamwarden:settings"]
        }
        scope_range = settings["scope.range"]["read_back"]["value"]
        assert numpy.abs(volts).max() <= scope_range * 1.001
        assert numpy.sqrt(numpy.mean(volts**2)) > scope_range / 1000


def test_every_setting_is_in_every_capture(story_run):
    sets = []
    for path in captures(story_run):
        entries = json.loads(path.read_text())["captures"][0]["beamwarden:settings"]
        names = [entry["name"] for entry in entries]
        assert len(names) == len(set(names))
        for entry in entries:
            assert entry["read_back"]["value"] is not None
            if entry.get("asked") is not None:
                assert entry["matched"], entry
        sets.append(frozenset(names))
    assert len(set(sets)) == 1
    assert {"supply.voltage", "turntable.angle", "dut.tx.gain", "dut.rx.phase.7"} <= sets[0]


def test_what_is_noted_is_what_was_taken(story_run):
    """Points of the record and sample rate, as noted, fit the data file and the interval."""
    for path in captures(story_run):
        meta = json.loads(path.read_text())
        noted = {
            entry["name"]: entry["read_back"]["value"]
            for entry in meta["captures"][0]["beamwarden:settings"]
        }
        samples = path.with_suffix(".sigmf-data").stat().st_size // 4
        assert noted["scope.points"] == samples, path
        assert meta["global"]["core:sample_rate"] == 8e9
        readings = {
            entry["name"]: entry["value"] for entry in meta["captures"][0]["beamwarden:readings"]
        }
        length_s = samples * noted["scope.sample_interval"]
        assert abs(readings["scope.record_length"] - length_s) < 1e-9 * length_s, path


@pytest.mark.parametrize("name", ["report.html", "journal.jsonl", "sequence.yaml", "bench.yaml"])
def test_the_folder_is_complete(story_run, name):
    assert (story_run / name).stat().st_size > 0
