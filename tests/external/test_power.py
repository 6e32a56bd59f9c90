"""Level, noise and carrier of the simulated link against a budget computed here.

Free-space loss after Recommendation ITU-R P.525, thermal noise kTB at 290 K (ITU-R P.372), arrays as
sums over element positions and quantised codes (C. A. Balanis, Antenna Theory, 4th ed., section
6.3), a lossless combiner (H. L. Van Trees, Optimum Array Processing, section 2.6). The bench's own
figures (powers, gains, distance) are the invented ones of its scenario.
"""

import json
import subprocess

import numpy as np
import pytest

import dmg

C, BOLTZMANN = 299_792_458.0, 1.380649e-23
CARRIER_HZ, DISTANCE_M = 62.64e9, 4.0
ELEMENT_DBM = 18.4 - (31 - 23)  # at 1 V of source envelope and gain code 23
RX_GAIN_DB = 55.0 - (31 - 16)
NOISE_FIGURE_DB = 8.0
SOURCE_V, SCOPE_RANGE_V = 0.4, 0.25
ELEMENTS = 8

CASES = [(0, 0, 0), (6, 0, 0), (-9, 0, 0), (21, 0, 0), (-21, 0, 0), (21, 0, -20), (-35, 0, 35),
         (-35, 0, 20), (0, 10, 0), (50, -5, -50)]


def response(codes, angle_deg):
    """Sum over the elements of quantised weight times wave factor."""
    n = np.arange(ELEMENTS)
    weights = np.exp(2j * np.pi * np.array(codes) / 32)
    return np.sum(weights * np.exp(1j * np.pi * n * np.sin(np.deg2rad(angle_deg))))


def frame_rms(bits):
    """Rms of a shaped frame whose largest axis stands at full scale."""
    chips = dmg.uncoded_frame(2, bits)
    times = np.arange(-40, 4 * len(chips) + 40) / 4
    x = dmg.pulse_sum(chips, (0.0, 1.0), times, 24)
    peak = max(np.abs(x.real).max(), np.abs(x.imag).max())
    # Unit energy a chip: a mean power of one while the frame lasts.
    return 1 / peak


@pytest.fixture(scope="session")
def source_rms():
    return frame_rms(dmg.prbs23(0x3A5C71, 128 * dmg.DATA * 2))


@pytest.mark.parametrize("table_deg, tx_deg, rx_deg", CASES)
def test_level_over_angle(binary, tmp_path, source_rms, table_deg, tx_deg, rx_deg):
    done = subprocess.run(
        [binary, "measure", "--json", "--runs", tmp_path, "--frame", "qpsk uncoded",
         "--set", f"turntable.angle={table_deg} deg", "--set", f"beam.tx={tx_deg} deg",
         "--set", f"beam.rx={rx_deg} deg"],
        capture_output=True, text=True, timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = json.loads(done.stdout)["figures"]
    (meta,) = tmp_path.glob("*/captures/*.sigmf-meta")
    capture = json.loads(meta.read_text())["captures"][0]
    codes = {beam["array"]: beam["phase_codes"] for beam in capture["beamwarden:beams"]}
    # A table turned by +a lets the receiver see the transmitter at -a from its broadside.
    tx, rx = response(codes["tx"], 0.0), response(codes["rx"], -table_deg)

    loss_db = 20 * np.log10(4 * np.pi * DISTANCE_M * CARRIER_HZ / C)
    db = lambda power: 10 * np.log10(power)
    signal_dbm = (
        ELEMENT_DBM + 20 * np.log10(SOURCE_V * source_rms) + db(abs(tx) ** 2) - loss_db
        + db(abs(rx) ** 2 / ELEMENTS)
    )
    noise_dbm = db(BOLTZMANN * 290 * dmg.CHIP_RATE_HZ) + 30 + NOISE_FIGURE_DB
    # The scope shows I and Q of the envelope on 50 ohm: |v|^2 = 2 * 50 ohm * P.
    power_db = signal_dbm - 30 + RX_GAIN_DB + db(2 * 50)
    # Scope: 0.1 % of the range of noise on each axis and the step of 10 bits, white over 8 GS/s.
    axis = (0.001 * SCOPE_RANGE_V) ** 2 + (2 * SCOPE_RANGE_V / 2**10) ** 2 / 12
    scope_noise = 2 * axis * dmg.CHIP_RATE_HZ / 8e9
    noise = 10 ** ((noise_dbm - 30 + RX_GAIN_DB + db(2 * 50)) / 10) + scope_noise
    snr_db = power_db - db(noise)
    print(f"table {table_deg} tx {tx_deg} rx {rx_deg}: {found['power_db']:.2f} / {power_db:.2f} "
          f"dB(V^2), SNR {found['snr_db']:.2f} / {snr_db:.2f} dB")
    # Noise of 3328 known chips: 0.1 dB at 0 dB and above, three times that allowed.
    assert abs(found["power_db"] - power_db) < 0.3
    assert abs(found["snr_db"] - snr_db) < 0.4
    assert abs(found["power_dbfs"] - (found["power_db"] - 20 * np.log10(SCOPE_RANGE_V))) < 1e-3
    # What the record calls the carrier is the channel's (IEEE Std 802.11, DMG: 56.16 + 2.16 n GHz).
    assert capture["core:frequency"] == CARRIER_HZ


def test_turned_away_is_the_published_sidelobe():
    """Eight half-wave elements at 21 degrees: the first sidelobe, 12.80 dB down (sin(Nx)/(N sin x)
    at its maximum; Balanis, section 6.3)."""
    angles = np.linspace(15, 29, 14_001)
    level = np.array([abs(response([0] * 8, a)) / 8 for a in angles])
    best = angles[level.argmax()]
    assert abs(best - 21.0) < 0.2
    assert abs(20 * np.log10(level.max()) + 12.80) < 0.01
    assert abs(20 * np.log10(abs(response([0] * 8, 21.0)) / 8) + 12.80) < 0.02
