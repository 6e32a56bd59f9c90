"""The JSON Schemas that the program prints, applied by an independent validator to shipped files."""

import json
import pathlib
import re
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
Plain.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("^(true|false)$"), ["t", "f"])


def load_text(text):
    return yaml.load(text, Plain)


def load(path):
    return load_text(path.read_text())


CASES = [
    ("bench", "sequences/*.bench.yaml"),
    ("sequence", "sequences/*.yaml"),
    ("profile", "drivers/profiles/*.yaml"),
    ("registers", "drivers/registers/*.yaml"),
    ("profile", "drivers/examples/lab-[!c]*.yaml"),
    ("registers", "drivers/examples/lab-chip.yaml"),
    ("model", "tests/external/benches/*.model.yaml"),
    ("faults", "tests/external/benches/*.faults.yaml"),
    ("model", "sequences/*.model.yaml"),
    ("faults", "sequences/*.faults.yaml"),
]


@pytest.mark.parametrize("of,pattern", CASES)
def test_shipped_files_fit(binary, of, pattern):
    validator = schema(binary, of)
    # A sequence's name has no second part: night.yaml, but night.bench.yaml.
    paths = [path for path in ROOT.glob(pattern) if of != "sequence" or "." not in path.stem]
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


def test_examples_of_the_language_fit(binary):
    validator = schema(binary, "sequence")
    text = (ROOT / "sequences/LANGUAGE.md").read_text()
    examples = [rest.split("```")[0] for rest in text.split("```yaml\n")[1:]]
    assert len(examples) >= 16
    for example in examples:
        part = load_text(example)
        whole = {"sequence": "example", "steps": [{"measure": {}}]}
        whole.update({"steps": part} if isinstance(part, list) else part)
        assert not list(validator.iter_errors(whole)), example


def test_faults_of_the_language_are_found(binary):
    validator = schema(binary, "sequence")
    valid = lambda *steps: validator.is_valid({"sequence": "s", "steps": list(steps)})
    assert valid({"wait": "= settle"}) and not valid({"wait": "settle"})
    assert valid({"measure": {"until": {"bits": "= 2 * bits"}}})
    assert not valid({"repeat": {"times": 0}, "do": []})
    assert not valid({"repeat": {"times": 3}})
    assert not valid({"when": "evm < 1 dB", "do": [], "otherwize": []})
    assert not valid({"sweep": {"x.y": [1]}, "order": "radnom", "do": []})
    assert not valid({"set": {}, "note": "two at once"})


def test_the_printed_model_fits_as_it_stands_and_with_its_examples(binary):
    printed = subprocess.run([binary, "sim", "--print-model"], capture_output=True, text=True, check=True)
    validator = schema(binary, "model")
    assert not list(validator.iter_errors(yaml.load(printed.stdout, Plain)))
    # A '#' right before a key is an example; before a space it explains.
    taken = yaml.load(re.sub(r"(?m)^( *)#(?! |$)", r"\1", printed.stdout), Plain)
    assert taken["path"]["gas"] and taken["tx"]["phase_noise"] and taken["rx"]["array"]["dead_elements"]
    assert not list(validator.iter_errors(taken))
    assert not validator.is_valid({**taken, "path": {"distnace_m": 3}})
    assert not validator.is_valid({**taken, "path": {"distance_m": "3 m"}})
    assert not validator.is_valid({"path": {"blockages": [{"begin_s": 1, "duration_s": 2}]}})


def test_examples_of_the_readme_fit(binary):
    text = (ROOT / "README.md").read_text()
    for of, name in [("model", "bench.model.yaml"), ("faults", "night.faults.yaml")]:
        block = text.split(f"```yaml\n# {name}\n")[1].split("```")[0]
        assert not list(schema(binary, of).iter_errors(yaml.load(block, Plain)))


def test_faults_of_a_plan_are_found(binary):
    validator = schema(binary, "faults")
    entry = {"instrument": "turntable", "fault": "stuck", "short_deg": 3, "at_s": 1}
    valid = lambda **changed: validator.is_valid({"faults": [{**entry, **changed}]})
    assert valid()
    assert not valid(per_hour=2), "two keys say when"
    assert not valid(fault="stuk")
    assert not valid(late_s=2), "of another fault"
    assert not valid(wen=2)
    assert not validator.is_valid({"faults": [{k: v for k, v in entry.items() if k != "short_deg"}]})


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
