"""The JSON Schemas that the program prints, applied by an independent validator to shipped files."""

import json
import pathlib
import subprocess

import jsonschema
import pytest
import yaml

ROOT = pathlib.Path(__file__).resolve().parents[2]


def schema(binary, of):
    printed = subprocess.run([binary, "schema", of], capture_output=True, text=True, check=True)
    loaded = json.loads(printed.stdout)
    jsonschema.Draft202012Validator.check_schema(loaded)
    return jsonschema.Draft202012Validator(loaded)


class Plain(yaml.SafeLoader):
    """YAML 1.2 words: only true and false are booleans, as editors and the program read them."""


Plain.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:bool"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def load(path):
    return yaml.load(path.read_text(), Plain)


CASES = [
    ("bench", "sequences/*.bench.yaml"),
    ("sequence", "sequences/*.yaml"),
    ("profile", "drivers/profiles/*.yaml"),
    ("registers", "drivers/registers/*.yaml"),
    ("profile", "drivers/examples/lab-[!c]*.yaml"),
    ("registers", "drivers/examples/lab-chip.yaml"),
]


@pytest.mark.parametrize("of,pattern", CASES)
def test_shipped_files_fit(binary, of, pattern):
    validator = schema(binary, of)
    paths = [path for path in ROOT.glob(pattern) if of == "bench" or ".bench." not in path.name]
    assert paths
    for path in paths:
        faults = [f"{path.name}: {error.json_path}: {error.message}"
                  for error in validator.iter_errors(load(path))]
        assert not faults


def test_faults_are_found(binary):
    validator = schema(binary, "sequence")
    good = load(ROOT / "sequences/rotate-and-recover.yaml")
    assert validator.is_valid(good)
    assert not validator.is_valid({**good, "stepps": []})
    assert not validator.is_valid({**good, "steps": [{"wait": "2 V"}]})
    assert not validator.is_valid({**good, "steps": [{"measure": {"until": {"bits": -1}}}]})
    assert not validator.is_valid({key: good[key] for key in good if key != "sequence"})


def test_a_profile_may_say_only_what_differs(binary):
    validator = schema(binary, "profile")
    own = {
        "profile": "mine",
        "based on": "scpi-scope",
        "completion": {"by": "service request"},
        "errors": {"classes": [{"codes": [-299, -200], "mean": "retry"}]},
        "settings": {
            "points": {"range": [16, "64 k"], "steps": 16, "after": ["range"]},
            "trigger_offset": "absent",
            "range": {"tolerance": "absent"},
        },
        "models": [{"called": "deep", "model": "DS-*", "settings": {"points": {"range": [16, "1 M"]}}}],
    }
    assert validator.is_valid(own)
    assert not validator.is_valid({**own, "settings": {"points": {"rnage": [1, 2]}}})
    assert not validator.is_valid({**own, "models": [{"model": "DS-*"}]})
    # Without a base everything has to be there.
    alone = {key: value for key, value in own.items() if key != "based on"}
    assert not validator.is_valid(alone)
