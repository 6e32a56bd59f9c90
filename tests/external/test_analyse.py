"""`beamwarden analyse` against recordings that were made elsewhere: a transmitter in Python after the
published facts (`dmg.py`), known channels and impairments, every SigMF datatype in use.

What is compared is the truth that went in. Definitions: Es/N0 = energy of a received chip in all its
paths over the density of complex white noise. Carrier offset positive when the received carrier is
high. Receiver imbalance Q = g (q cos p - i sin p), I = i (T. Schenk, RF Imperfections in High-rate
Wireless Systems, 2008, chapter 5): gain 20 log10 g, phase p.
"""

import hashlib
import json
import subprocess
from dataclasses import dataclass

import numpy as np
import pytest

import dmg

NULL_WITHOUT_FRAME = [
    "mcs", "psdu_octets", "header_ok", "psdu_sha256", "bits", "bit_errors", "ber", "evm_db",
    "snr_db", "snr_from_evm_db", "cfo_hz", "iq_gain_db", "iq_phase_deg", "delay_spread_s",
    "codewords", "codewords_failed", "raw_bits", "raw_bit_errors",
]


@dataclass
class Sent:
    """One recording and the truth about it."""

    mcs: int = 12
    octets: int = 2500
    snr_db: float = 20.0
    cfo_hz: float = 0.0
    rate_hz: float = 8e9
    datatype: str = "cf32_le"
    iq_gain_db: float = 0.0
    iq_phase_deg: float = 0.0
    dc: complex = 0.0  # relative to the signal's rms
    rays: tuple = ((0.0, 1.0),)  # delays in chips, whole ones keep their energies apart
    clock_ppm: float = 0.0
    frames: int = 1
    cut_share: float = 0.0
    seed: int = 1

    def psdu(self):
        return np.random.default_rng(1000 + self.seed).bytes(self.octets)

    def samples(self):
        """Complex samples with unit energy a chip before the channel."""
        rng = np.random.default_rng(self.seed)
        per_chip = self.rate_hz / dmg.CHIP_RATE_HZ
        seed = rng.integers(0, 2, 7)
        seed[0] = 1
        one = dmg.frame(self.mcs, self.psdu(), [int(b) for b in seed])
        gap = np.zeros(700)
        chips = np.concatenate([part for _ in range(self.frames) for part in (one, gap)])
        delay = rng.uniform(80, 400)
        span = delay + len(chips) + 100 - 700
        count = int(span * per_chip)
        if self.cut_share:
            count = int((delay + len(one) * (1 - self.cut_share)) * per_chip)
        # A fast clock of the sender: its chips come closer together.
        step = 1 / (1 + self.clock_ppm * 1e-6)
        times = np.arange(count) / per_chip
        x = np.zeros(count, dtype=complex)
        for ray_delay, gain in self.rays:
            x += gain * dmg.pulse_sum(chips, (delay + ray_delay, step), times, 24)
        x *= np.exp(2j * np.pi * (self.cfo_hz * np.arange(count) / self.rate_hz + rng.uniform()))
        self.energy = sum(abs(gain) ** 2 for _, gain in self.rays)
        variance = per_chip * self.energy / 10 ** (self.snr_db / 10)
        noise = rng.normal(size=(count, 2)) @ [1, 1j]
        x += np.sqrt(variance / 2) * noise
        g, p = 10 ** (self.iq_gain_db / 20), np.deg2rad(self.iq_phase_deg)
        x = x.real + 1j * g * (x.imag * np.cos(p) - x.real * np.sin(p))
        return x + self.dc * np.sqrt(self.energy)


@dataclass
class Written:
    base: object
    scale: float  # analysed numbers for one unit of `samples`: integers count as shares of full scale


def write(folder, x, rate_hz, datatype="cf32_le", backoff=4.0):
    """A SigMF recording of complex samples; integers with rms `backoff` below full scale."""
    base = folder / "recording"
    meta = {
        "global": {"core:datatype": datatype, "core:sample_rate": rate_hz, "core:version": "1.2.0"},
        "captures": [{"core:sample_start": 0}],
        "annotations": [],
    }
    rms = np.sqrt(np.mean(np.abs(x) ** 2) / 2)
    integer = {"ci16_le": "<i2", "ri16_le": "<i2", "ci8": "i1", "ci16_be": ">i2"}
    if datatype in integer:
        kind = np.dtype(integer[datatype])
        most = np.iinfo(kind).max
        scale = most / backoff / rms
        pairs = np.stack([x.real, x.imag], axis=1) * scale
        data = np.clip(np.round(pairs), -most - 1, most).astype(kind)
    else:
        scale = 0.02
        data = (np.stack([x.real, x.imag], axis=1) * scale).astype("<f4")
    if datatype.startswith("r"):
        meta["global"]["core:num_channels"] = 2
    if datatype in integer:
        scale /= most + 1
    data.tofile(base.with_suffix(".sigmf-data"))
    base.with_suffix(".sigmf-meta").write_text(json.dumps(meta))
    return Written(base, scale)


@pytest.fixture()
def analyse(binary, tmp_path):
    def run(sent, *options, expect=True):
        written = write(tmp_path, sent.samples(), sent.rate_hz, sent.datatype)
        if expect:
            (tmp_path / "sent.bin").write_bytes(sent.psdu())
            options += ("--expect", tmp_path / "sent.bin")
        return figures(binary, written.base, *options), written

    return run


def figures(binary, base, *options):
    done = subprocess.run(
        [binary, "analyse", base, "--json", "--frame", "dmg", *options],
        capture_output=True, text=True, timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (line,) = done.stdout.splitlines()
    return json.loads(line)


def check_payload(found, sent):
    assert found["detected"] is True
    assert (found["frames_found"], found["frames_cut"]) == (sent.frames, 0)
    assert found["header_ok"] is True
    assert (found["mcs"], found["psdu_octets"]) == (sent.mcs, sent.octets)
    assert found["psdu_sha256"] == hashlib.sha256(sent.psdu()).hexdigest()
    assert found["codewords"] == sent.frames * dmg.SCHEMES[sent.mcs].sizes(sent.octets)[0]
    assert found["codewords_failed"] == 0
    assert (found["bits"], found["bit_errors"]) == (sent.frames * 8 * sent.octets, 0)
    assert found["ber_low_95"] == 0 and found["ber_high_95"] > 0


def check_link(found, sent, snr_within=0.5, cfo_within=500):
    assert abs(found["snr_db"] - sent.snr_db) < snr_within, found["snr_db"]
    assert abs(found["cfo_hz"] - sent.cfo_hz) < cfo_within, found["cfo_hz"]


# About 15 blocks each, so that 500 Hz are five times the spread of the carrier estimate.
OCTETS = {1: 200, 2: 400, 3: 500, 4: 600, 5: 650, 6: 800, 7: 1000, 8: 1200, 9: 1300, 10: 1600,
          11: 2000, 12: 2500}
CARRIERS = [-5e6, -3.3e6, -1e6, 4e5, 2.2e6, 5e6]
RATES = [3.52e9, 5e9, 7.04e9, 8e9]


@pytest.mark.parametrize("mcs", OCTETS)
def test_every_mcs(analyse, mcs):
    sent = Sent(mcs=mcs, octets=OCTETS[mcs], cfo_hz=CARRIERS[mcs % 6], rate_hz=RATES[mcs % 4],
                seed=mcs)
    found, _ = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent)
    # White noise and an equaliser of a flat channel: error vectors are the noise.
    assert abs(-found["evm_db"] - sent.snr_db) < 0.5
    assert abs(found["snr_from_evm_db"] - sent.snr_db) < 0.5
    assert found["raw_bits"] > found["bits"]


@pytest.mark.parametrize("mcs, snr_db", [(1, -1.0), (2, 3.0), (5, 8.0), (6, 6.0), (9, 11.0),
                                         (10, 11.5), (12, 17.0)])
def test_weak_signals(analyse, mcs, snr_db):
    sent = Sent(mcs=mcs, octets=OCTETS[mcs], snr_db=snr_db, cfo_hz=CARRIERS[mcs % 6], seed=40 + mcs)
    found, _ = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent, cfo_within=500 * 10 ** ((20 - snr_db) / 20))
    # What was sent is known: the error vectors stay those of the noise, right down.
    assert abs(-found["evm_data_aided_db"] - snr_db) < 0.5
    assert found["evm_db"] == found["evm_data_aided_db"]
    assert found["evm_by_decision_db"] <= found["evm_data_aided_db"] + 1e-6


@pytest.mark.parametrize("datatype", ["cf32_le", "ci16_le", "ci16_be", "ci8", "ri16_le"])
@pytest.mark.parametrize("rate_hz", [3.52e9, 8e9])
def test_datatypes(analyse, datatype, rate_hz):
    sent = Sent(mcs=9, octets=1300, datatype=datatype, rate_hz=rate_hz, cfo_hz=-2.5e6,
                dc=0.05 - 0.03j, seed=7)
    found, written = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent)
    # Levels are in what the file holds, of integers in shares of full scale.
    power_db = 10 * np.log10(sent.energy * written.scale**2)
    assert abs(found["power_db"] - power_db) < 0.1
    for name, part in [("dc_i", sent.dc.real), ("dc_q", sent.dc.imag)]:
        assert abs(found[name] - part * written.scale) < 0.01 * written.scale, name
    if datatype.startswith("cf"):
        assert found["power_dbfs"] is None and found["clipped_fraction"] is None
    else:
        # A complex tone whose I and Q just reach full scale has 0 dBFS.
        assert abs(found["power_dbfs"] - power_db) < 0.1
        assert found["clipped_fraction"] < 2e-3


@pytest.mark.parametrize("gain_db, phase_deg", [(0.5, 0.0), (0.0, 3.0), (-1.0, -4.0), (1.0, 5.0)])
def test_imbalance(analyse, gain_db, phase_deg):
    sent = Sent(mcs=12, snr_db=25.0, iq_gain_db=gain_db, iq_phase_deg=phase_deg, cfo_hz=1.5e6,
                seed=11)
    found, _ = analyse(sent)
    check_payload(found, sent)
    assert abs(found["iq_gain_db"] - gain_db) < 0.05
    assert abs(found["iq_phase_deg"] - phase_deg) < 0.3
    g, p = 10 ** (gain_db / 20), np.deg2rad(phase_deg)
    rejection = -20 * np.log10(abs((1 - g * np.exp(1j * p)) / (1 + g * np.exp(1j * p))))
    assert abs(found["image_rejection_db"] - rejection) < 1.0
    assert abs(-found["evm_db"] - 25.0) < 0.5, "the image is corrected"
    assert abs(found["snr_db"] - 25.0) < 0.6


@pytest.mark.parametrize("rays", [
    ((0.0, 1.0), (4.0, 0.5 * np.exp(1j))),
    ((0.0, 1.0), (17.0, 0.3j)),
    ((0.0, 0.8), (9.0, -0.4), (30.0, 0.2j)),
])
def test_echoes(analyse, rays):
    sent = Sent(mcs=9, octets=1300, rays=rays, cfo_hz=-7e5, seed=23)
    found, _ = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent)
    power = np.array([abs(gain) ** 2 for _, gain in rays])
    delays = np.array([delay for delay, _ in rays])
    mean = power @ delays / power.sum()
    spread = np.sqrt(power @ (delays - mean) ** 2 / power.sum()) / dmg.CHIP_RATE_HZ
    # The width of the pulses is no spread of the paths, wherever the sampling instants fall.
    assert abs(found["delay_spread_s"] - spread) < 0.03 * spread


@pytest.mark.parametrize("clock_ppm", [-20.0, 35.0])
def test_clock_offset(analyse, clock_ppm):
    sent = Sent(mcs=7, octets=6000, clock_ppm=clock_ppm, seed=31, cfo_hz=clock_ppm * 62640.0)
    found, _ = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent)
    assert abs(found["clock_offset_ppm"] - clock_ppm) < 2.0


def test_two_frames_add_up(analyse):
    sent = Sent(mcs=8, octets=1200, frames=2, seed=5)
    found, _ = analyse(sent)
    check_payload(found, sent)
    check_link(found, sent)


def test_without_knowing_what_was_sent(analyse):
    sent = Sent(mcs=10, octets=1600, seed=3)
    found, _ = analyse(sent, expect=False)
    assert found["psdu_sha256"] == hashlib.sha256(sent.psdu()).hexdigest()
    assert found["codewords_failed"] == 0
    for name in ["bits", "bit_errors", "ber"]:
        assert found[name] is None, name
    assert abs(-found["evm_db"] - 20.0) < 0.5


@pytest.mark.parametrize("mcs, snr_db", [(1, -1.0), (6, 6.0), (10, 11.5)])
def test_decoded_frames_do_not_flatter(analyse, mcs, snr_db):
    """Where every codeword is valid the symbols are known, although nobody told them: the error
    vectors are those of the noise. By decision they would be up to 1 dB too small here."""
    sent = Sent(mcs=mcs, octets=OCTETS[mcs], snr_db=snr_db, seed=60 + mcs)
    found, _ = analyse(sent, expect=False)
    assert found["codewords_failed"] == 0
    assert abs(-found["evm_db"] - snr_db) < 0.5
    assert abs(found["snr_from_evm_db"] - snr_db) < 0.5
    assert found["evm_by_decision_db"] < found["evm_db"] - 0.1


def test_wrong_expectation_is_counted(analyse, binary, tmp_path):
    """Each turned-over bit of the expectation is one bit error."""
    sent = Sent(mcs=8, octets=1200, seed=9)
    _, written = analyse(sent)
    wrong = bytearray(sent.psdu())
    for n in range(17):
        wrong[50 * n] ^= 1 << (n % 8)
    (tmp_path / "wrong.bin").write_bytes(wrong)
    found = figures(binary, written.base, "--expect", tmp_path / "wrong.bin")
    assert (found["bits"], found["bit_errors"]) == (9600, 17)
    assert found["codewords_failed"] == 0


@pytest.mark.parametrize("datatype", ["cf32_le", "ci16_le", "ci8", "ri16_le"])
def test_noise_is_no_frame(binary, tmp_path, datatype):
    for seed in range(3):
        noise = np.random.default_rng(seed).normal(size=(60_000, 2)) @ [1, 1j]
        written = write(tmp_path, noise, 8e9, datatype)
        found = figures(binary, written.base)
        assert found["detected"] is False
        assert (found["frames_found"], found["frames_cut"]) == (0, 0)
        for name in NULL_WITHOUT_FRAME:
            assert found[name] is None, name


def test_tone_is_no_frame(binary, tmp_path):
    tone = np.exp(2j * np.pi * 0.0371 * np.arange(50_000))
    found = figures(binary, write(tmp_path, tone, 8e9, "ci16_le").base)
    assert found["detected"] is False and found["evm_db"] is None


@pytest.mark.parametrize("share", [0.05, 0.4, 0.7])
def test_a_cut_frame_is_left_out(analyse, share):
    sent = Sent(mcs=9, octets=1300, cut_share=share, seed=13)
    found, _ = analyse(sent)
    assert found["detected"] is False
    assert found["frames_found"] == 0 and found["frames_cut"] == 1
    for name in NULL_WITHOUT_FRAME:
        assert found[name] is None, name


def test_hopeless_payload_is_not_called_right(analyse):
    """16-QAM at 3 dB: the header is read, the payload is lost and said so."""
    sent = Sent(mcs=12, snr_db=3.0, seed=17)
    found, _ = analyse(sent)
    assert found["detected"] is True and found["header_ok"] is True
    assert (found["mcs"], found["psdu_octets"]) == (12, 2500)
    assert found["codewords_failed"] > 0.9 * found["codewords"]
    assert found["ber"] > 0.01 and found["bits"] == 8 * 2500
    assert found["psdu_sha256"] != hashlib.sha256(sent.psdu()).hexdigest()
    assert abs(found["snr_db"] - 3.0) < 0.5
    # Known symbols tell the truth where decisions flatter.
    assert abs(-found["evm_db"] - 3.0) < 0.5
    assert found["evm_by_decision_db"] < found["evm_data_aided_db"] - 3
