"""One real channel at an intermediate frequency, I and Q in a file each: the same frames, quantised
here, converted by the program and here along another way (mixer, then the matched filter alone)."""

import hashlib
import json
import subprocess

import numpy as np
import pytest

import dmg
import independent_receiver as receiver
from test_analyse import Sent, check_link, check_payload
from test_unguarded import run_analyse

KINDS = {"ri8": "i1", "ru8": "u1", "ri16_le": "<i2", "ri16_be": ">i2", "ru16_le": "<u2",
         "rf32_le": "<f4", "rf64_be": ">f8"}


def write_real(base, x, rate_hz, datatype, bits=None, backoff=4.0):
    """A SigMF recording of one real channel with rms `backoff` below full scale; the values kept."""
    kind = np.dtype(KINDS[datatype])
    top = {"core:datatype": datatype, "core:sample_rate": rate_hz, "core:version": "1.2.0",
           "core:num_channels": 1}
    if kind.kind == "f":
        kept = data = (0.02 * x).astype(kind)
    else:
        half = 2 ** ((bits or 8 * kind.itemsize) - 1)
        scale = half / backoff / np.sqrt(np.mean(x**2))
        kept = np.clip(np.round(x * scale), -half, half - 1)
        data = (kept + (half if kind.kind == "u" else 0)).astype(kind)
    if bits:
        top["beamwarden:channels"] = [
            {"name": "CH1", "volts_per_code": 1e-4, "offset_v": 0.0, "bits": bits}]
    data.tofile(base.with_suffix(".sigmf-data"))
    meta = {"global": top, "captures": [{"core:sample_start": 0}], "annotations": []}
    base.with_suffix(".sigmf-meta").write_text(json.dumps(meta))
    return np.asarray(kept, dtype=float)


def at_intermediate(sent, if_hz, inverted=False):
    """Real samples with the signal at `if_hz` and white noise of the Es/N0 asked for."""
    snr_db, sent.snr_db = sent.snr_db, 300.0
    x = sent.samples()
    sent.snr_db = snr_db
    x = np.conj(x) if inverted else x
    n = np.arange(len(x))
    real = (x * np.exp(2j * np.pi * if_hz / sent.rate_hz * n)).real
    # Half of the amplitude is on either side of 0 Hz, so a quarter of the complex noise's power.
    variance = sent.rate_hz / dmg.CHIP_RATE_HZ * sent.energy / 10 ** (snr_db / 10) / 4
    return real + np.sqrt(variance) * np.random.default_rng(900 + sent.seed).normal(size=len(x))


@pytest.mark.parametrize("datatype, bits, rate_hz, if_hz, inverted", [
    ("ri8", None, 8e9, 2.1e9, False),
    ("ru8", None, 8e9, 2.1e9, True),
    ("ri16_le", 12, 8e9, 1.7e9, False),
    ("ri16_be", 12, 10e9, 2.5e9, True),
    ("ru16_le", None, 6e9, 1.6e9, False),
    ("rf32_le", None, 8e9, 2.5e9, False),
    ("rf64_be", None, 8e9, 2.5e9, False),
])
def test_one_real_channel(binary, tmp_path, datatype, bits, rate_hz, if_hz, inverted):
    sent = Sent(mcs=12, octets=2500, cfo_hz=-1.2e6, rate_hz=rate_hz, seed=81)
    base = tmp_path / "recording"
    kept = write_real(base, at_intermediate(sent, if_hz, inverted), rate_hz, datatype, bits)
    (tmp_path / "sent.bin").write_bytes(sent.psdu())
    options = ["--intermediate-frequency", f"{if_hz / 1e9} GHz"] + ["--high-side"] * inverted
    found = run_analyse(binary, base, "--expect", tmp_path / "sent.bin", *options)
    check_payload(found, sent)
    check_link(found, sent)
    n = np.arange(len(kept))
    x = 2 * kept * np.exp(-2j * np.pi * if_hz / rate_hz * n)
    x = np.conj(x) if inverted else x
    blocks = dmg.SCHEMES[12].sizes(2500)[2]
    heard = receiver.receive(x, rate_hz, blocks=blocks, header=True)
    noise = 10 ** (-heard.snr_db / 10)
    header = receiver.decode_header(heard.header_symbols, noise)
    psdu, failed, raw_errors = receiver.decode_payload(header, heard.symbols, noise)
    evm = receiver.evm_db(heard.symbols, dmg.map_bits(4, dmg.encode_payload(12, psdu, header.seed)))
    print(f"{datatype} {bits}: EVM {evm:.3f} / {found['evm_db']:.3f} dB, Es/N0 20 / "
          f"{found['snr_db']:.3f} dB, raw errors {raw_errors} / {found['raw_bit_errors']}")
    assert failed == 0
    assert hashlib.sha256(psdu).hexdigest() == found["psdu_sha256"]
    assert abs(evm - found["evm_db"]) < 0.2
    assert abs(raw_errors - found["raw_bit_errors"]) <= 8
    if KINDS[datatype][-2] == "f":
        assert found["clipped_fraction"] is None
    else:
        half = 2 ** ((bits or 8 * np.dtype(KINDS[datatype]).itemsize) - 1)
        share = np.mean((kept == -half) | (kept == half - 1))
        assert abs(found["clipped_fraction"] - share) < 1e-12


def test_a_file_for_each_channel(binary, tmp_path):
    sent = Sent(mcs=9, octets=1300, seed=82)
    x = sent.samples()
    for name, part in [("i", x.real), ("q", x.imag)]:
        write_real(tmp_path / name, part, sent.rate_hz, "rf32_le")
    (tmp_path / "sent.bin").write_bytes(sent.psdu())
    done = subprocess.run(
        [binary, "analyse", "--json", "--i", tmp_path / "i", "--q", tmp_path / "q",
         "--expect", tmp_path / "sent.bin"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    check_payload(found, sent)
    check_link(found, sent)
