"""Frames without guards: recordings made here, received by the program and by a second receiver."""

import json
import subprocess

import numpy as np
import pytest

import dmg
import independent_receiver as receiver
from test_analyse import write

BLOCKS = 128  # of 448 symbols, what a frame called by its name has
NAMES = {1: "bpsk", 2: "qpsk", 4: "16-qam", 6: "64-qam"}
TWO_RAYS = ((0.0, 1.0), (4.3, 0.3 * np.exp(1j)))


def recorded(chips, rate_hz, snr_db, rng, rays=((0.0, 1.0),), cfo_hz=0.0):
    """Samples with silence around the chips; Es/N0 counts the energy of all rays as if apart."""
    per_chip = rate_hz / dmg.CHIP_RATE_HZ
    count = int((len(chips) + 500) * per_chip)
    times = np.arange(count) / per_chip
    x = sum(gain * dmg.pulse_sum(chips, (203.4 + delay, 1.0), times, 24) for delay, gain in rays)
    x = x * np.exp(2j * np.pi * cfo_hz * np.arange(count) / rate_hz)
    energy = sum(abs(gain) ** 2 for _, gain in rays)
    deviation = np.sqrt(per_chip * energy / 10 ** (snr_db / 10) / 2)
    return x + deviation * (rng.normal(size=(count, 2)) @ [1, 1j])


def run_analyse(binary, base, *options):
    done = subprocess.run([binary, "analyse", base, "--json", *options],
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("bits_per_symbol, snr_db", [(1, 13.0), (2, 17.0), (4, 24.0), (6, 30.0)])
@pytest.mark.parametrize("rays", [((0.0, 1.0),), TWO_RAYS], ids=["flat", "two rays"])
def test_every_constellation(binary, tmp_path, bits_per_symbol, snr_db, rays):
    rng = np.random.default_rng(70 + bits_per_symbol)
    count = BLOCKS * dmg.DATA
    bits = rng.integers(0, 2, count * bits_per_symbol).astype(np.uint8)
    rate_hz = 5e9
    x = recorded(dmg.unguarded_frame(bits_per_symbol, bits), rate_hz, snr_db, rng, rays, 1.3e6)
    written = write(tmp_path, x, rate_hz)
    (tmp_path / "sent.bin").write_bytes(dmg.bits_to_octets(bits))
    name = f"{NAMES[bits_per_symbol]} uncoded without guards"
    found = run_analyse(binary, written.base, "--frame", name, "--expect", tmp_path / "sent.bin")
    symbols, cfo_hz = receiver.receive_unguarded(x, rate_hz, bits_per_symbol, count)
    decided, _ = receiver.decide(symbols, bits_per_symbol)
    evm = receiver.evm_db(symbols, dmg.map_bits(bits_per_symbol, bits))
    print(f"{name}: EVM {evm:.3f} / {found['evm_db']:.3f} dB, Es/N0 {snr_db} / "
          f"{found['snr_db']:.3f} dB, carrier {cfo_hz:.0f} / {found['cfo_hz']:.0f} Hz, errors "
          f"{found['bit_errors']}")
    assert (decided == bits).all()
    assert (found["bits"], found["bit_errors"]) == (len(bits), 0)
    assert abs(found["evm_db"] - evm) < 0.2
    assert abs(found["cfo_hz"] - 1.3e6) < 500 and abs(cfo_hz - 1.3e6) < 500
    if len(rays) == 1:
        assert abs(found["snr_db"] - snr_db) < 0.5
