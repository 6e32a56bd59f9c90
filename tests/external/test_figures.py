"""Figures of impairments whose size is put in exactly: skew, phase noise, spectrum, throughput."""

import numpy as np
import pytest
from scipy import signal

import dmg
from test_analyse import Sent, write
from test_unguarded import BLOCKS, recorded, run_analyse


@pytest.mark.parametrize("skew_s", [5e-12, -8e-12, 20e-12])
def test_skew(binary, tmp_path, skew_s):
    """Q late by an exact delay: a slope of phase over its whole spectrum."""
    sent = Sent(mcs=12, octets=6000, snr_db=30.0, cfo_hz=8e5, seed=91)
    x = sent.samples()
    turn = np.exp(-2j * np.pi * np.fft.fftfreq(len(x), 1 / sent.rate_hz) * skew_s)
    x = x.real + 1j * np.fft.ifft(np.fft.fft(x.imag) * turn).real
    (tmp_path / "sent.bin").write_bytes(sent.psdu())
    written = write(tmp_path, x, sent.rate_hz)
    found = run_analyse(binary, written.base, "--expect", tmp_path / "sent.bin")
    print(f"skew {skew_s * 1e12:.2f} / {found['iq_skew_s'] * 1e12:.3f} ps, EVM {found['evm_db']:.2f}")
    assert abs(found["iq_skew_s"] - skew_s) < 0.05 * abs(skew_s)
    assert found["bit_errors"] == 0


def uncoded(rng):
    bits = rng.integers(0, 2, 2 * BLOCKS * dmg.DATA).astype(np.uint8)
    return bits, dmg.uncoded_frame(2, bits)


@pytest.mark.parametrize("sigma_deg", [1.0, 2.0, 4.0])
def test_phase_noise(binary, tmp_path, sigma_deg):
    """Flat L(f) from 0.5 to 20 MHz: sigma^2 = 2 times its integral (IEEE Std 1139: L = S_phi / 2)."""
    rng = np.random.default_rng(92)
    rate_hz, (low, high) = 5e9, (0.5e6, 20e6)
    bits, chips = uncoded(rng)
    x = recorded(chips, rate_hz, 300.0, rng)
    f = np.fft.rfftfreq(len(x), 1 / rate_hz)
    density = np.where((f >= low) & (f <= high), np.radians(sigma_deg) ** 2 / (high - low), 0.0)
    # One-sided S_phi(f): each line has the variance S_phi df.
    lines = (rng.normal(size=(len(f), 2)) @ [1, 1j]) * np.sqrt(density * (f[1] - f[0])) / 2
    phase = np.fft.irfft(lines, len(x)) * len(x)
    x = x * np.exp(1j * phase)
    x += 10 ** (-28 / 20) * np.sqrt(rate_hz / dmg.CHIP_RATE_HZ / 2) * (
        rng.normal(size=(len(x), 2)) @ [1, 1j])
    (tmp_path / "sent.bin").write_bytes(dmg.bits_to_octets(bits))
    found = run_analyse(binary, write(tmp_path, x, rate_hz).base, "--frame", "qpsk uncoded",
                        "--expect", tmp_path / "sent.bin")
    inside = signal.detrend(phase[len(x) // 10:-len(x) // 10])
    real_deg = np.degrees(inside.std())
    print(f"phase noise {sigma_deg} (drawn {real_deg:.3f}) / {found['phase_noise_deg']:.3f} deg")
    assert abs(found["phase_noise_deg"] / sigma_deg - 1) < 0.1
    assert abs(found["phase_noise_deg"] / real_deg - 1) < 0.1


# Corners of the mask, IEEE 802.11ad-2012 clause 21.3.2 (from memory): GHz and dBr.
CORNERS = ([0, 0.94, 1.2, 2.7, 3.06, 9], [0, 0, -17, -22, -30, -30])


@pytest.mark.parametrize("shoulder_db", [None, -25.0, -12.0])
def test_mask(binary, tmp_path, shoulder_db):
    """Margin against Welch's estimate and the mask's corner points."""
    rng = np.random.default_rng(93)
    rate_hz = 8e9
    _, chips = uncoded(rng)
    # Nothing but the frame's own shape and noise at -40 dB.
    x = recorded(chips, rate_hz, 40.0, rng)
    if shoulder_db is not None:
        # Density of a chip's band over 300 MHz around +1.6 GHz, so much below the signal's.
        noise = np.fft.fft(rng.normal(size=(len(x), 2)) @ [1, 1j])
        f = np.fft.fftfreq(len(x), 1 / rate_hz)
        noise[np.abs(f - 1.6e9) > 150e6] = 0
        level = 10 ** (shoulder_db / 20) * np.sqrt(rate_hz / dmg.CHIP_RATE_HZ / 2)
        x += np.fft.ifft(noise) * level
    found = run_analyse(binary, write(tmp_path, x, rate_hz).base, "--frame", "qpsk uncoded")
    per_chip = rate_hz / dmg.CHIP_RATE_HZ
    frame = x[int(203 * per_chip):int((203 + len(chips)) * per_chip)]
    f, density = signal.welch(frame, rate_hz, "hann", nperseg=512, return_onesided=False)
    top = np.mean(density[np.abs(f) < 0.5e9])
    outside = np.abs(f) > 0.94e9
    margin = np.interp(np.abs(f) / 1e9, *CORNERS) - 10 * np.log10(density / top)
    welch = margin[outside].min()
    print(f"mask margin {welch:.3f} / {found['mask_margin_db']:.3f} dB")
    assert abs(found["mask_margin_db"] - welch) < 0.5
    assert (found["mask_margin_db"] < 0) == (shoulder_db == -12.0)
    if shoulder_db == -12.0:
        # The mask has -18.33 dBr at 1.6 GHz and less beyond, to -18.8 at 1.75.
        assert abs(found["mask_margin_db"] + 18.5 - 12.0) < 1.0
    assert 3e9 < found["mask_covered_hz"] <= 4.01e9


@pytest.mark.parametrize("mcs", [1, 9, 12])
def test_throughput(binary, tmp_path, mcs):
    """Bits of the PSDU over the duration of the frame, preamble and header included."""
    sent = Sent(mcs=mcs, octets=900, seed=94)
    (tmp_path / "sent.bin").write_bytes(sent.psdu())
    written = write(tmp_path, sent.samples(), sent.rate_hz)
    found = run_analyse(binary, written.base, "--expect", tmp_path / "sent.bin")
    chips = len(dmg.frame(mcs, sent.psdu()))
    assert abs(found["throughput_bps"] * chips / dmg.CHIP_RATE_HZ / 7200 - 1) < 1e-9
