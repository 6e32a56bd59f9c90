"""Received power over angle of three simulated benches, against sums computed here from their files.

Own maths on the model and sequence files alone: free-space loss (Recommendation ITU-R P.525), gas
(ITU-R P.676-12, the published figure of `sim/tests/reference/link.yaml`), arrays as sums over element
places, codes and errors (C. A. Balanis, Antenna Theory, 4th ed., chapter 6), element patterns, a wall
as a second ray, noise kTB at 290 K (ITU-R P.372) and a lossless combiner (H. L. Van Trees, Optimum
Array Processing, section 2.6). The measured side is the raw codes of the captures, read as SigMF.
"""

import pathlib
import subprocess

import numpy as np
import pytest
import scipy.signal
import sigmf
import yaml

import dmg

BENCHES = pathlib.Path(__file__).with_name("benches")
C, BOLTZMANN = 299_792_458.0, 1.380649e-23
# A run radiates every frame at this rms level, relative to the source's full scale.
FRAME_RMS = 10 ** (-6 / 20)
NAMES = ["four-element", "scattered", "wall"]


def settings_of(name):
    """Settings of the sequence's preparation, and the angles of its sweep."""
    sequence = yaml.safe_load((BENCHES / f"{name}.sequence.yaml").read_text())
    settings = {}
    for step in sequence["prepare"]:
        settings.update(step.get("set", {}))
    axis = sequence["steps"][0]["sweep"]["turntable.angle"]
    first, last, step = (float(axis[key].split()[0]) for key in ("from", "to", "step"))
    return settings, first + step * np.arange(round((last - first) / step) + 1)


def places_m(array):
    """x, y, z of each element."""
    if "positions_wavelengths" in array:
        rows = [[p[0], 0.0, p[1]] if len(p) == 2 else p for p in array["positions_wavelengths"]]
        places = np.array(rows)
    else:
        columns = array["elements"]
        n = np.arange(columns * array.get("rows", 1))
        places = np.stack([
            n % columns * array["spacing_wavelengths"],
            n // columns * array.get("row_spacing_wavelengths", 0.5),
            0 * n,
        ], axis=1)
    return places * C / array["design_hz"]


def element_weights(array, settings, end):
    """Complex weights of an end's codes with the listed errors."""
    count = len(places_m(array))
    codes = np.array([settings[f"dut.{end}.phase.{n}"] for n in range(count)])

    def listed(key):
        values = array.get(key, [])
        return np.array(values + [0.0] * (count - len(values)))

    weights = np.exp(2j * np.pi * codes / 2 ** array["phase_bits"])
    weights *= 10 ** (listed("gain_errors_db") / 20)
    weights *= np.exp(1j * np.deg2rad(listed("phase_errors_deg")))
    weights[array.get("dead_elements", [])] = 0
    return weights


def response(array, weights, carrier_hz, azimuth_deg, elevation_deg):
    """Sum over the elements of weight, wave and pattern, element gain included."""
    az, el = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    toward = np.array([np.sin(az) * np.cos(el), np.sin(el), np.cos(az) * np.cos(el)])
    waves = np.exp(2j * np.pi * carrier_hz / C * places_m(array) @ toward)
    element = array.get("element", {})
    exponent = element.get("cosine_exponent", 0.0)
    floor = 10 ** (element.get("back_lobe_db", -30.0) / 10)
    pattern = max(max(toward[2], 0.0) ** exponent, floor) if exponent else 1.0
    gain = 10 ** (element.get("peak_dbi", 0.0) / 10)
    return np.sum(weights * waves) * np.sqrt(pattern * gain)


def gas_db_per_m(path, root):
    if "gas" not in path:
        return 0.0
    assert path["gas"] == {"pressure_hpa": 1013.25, "temperature_c": 15.0, "vapour_g_m3": 7.5}
    reference = yaml.safe_load((root / "sim/tests/reference/link.yaml").read_text())
    (row,) = [row for row in reference["gas_attenuation"] if row["f_ghz"] == 62.64]
    return row["total_db_km"] / 1e3


@pytest.fixture(scope="session")
def chips():
    return dmg.uncoded_frame(2, dmg.prbs23(0x3A5C71, 128 * dmg.DATA * 2))


def noise_band_hz():
    """Two-sided noise bandwidth of the receiver's filter at the scope's 8 GS/s: flat to 1.2 GHz, 70 dB
    down from 2.0 GHz, a Kaiser-windowed low-pass as scipy designs it."""
    taps, beta = scipy.signal.kaiserord(70, 0.8e9 / 4e9)
    response = scipy.signal.firwin(taps, 1.6e9, window=("kaiser", beta), fs=8e9)
    return 8e9 * np.sum(response**2) / np.sum(response) ** 2


def shaped(chips, delay_s):
    """The frame of mean power 1, late by a delay, at two points a chip, away from its ends."""
    times = np.arange(200, 2 * len(chips) - 200) / 2 - delay_s * dmg.CHIP_RATE_HZ
    return dmg.pulse_sum(chips, (0.0, 1.0), times, 24)


def expected_power_v2(model, settings, angle_deg, chips, root):
    """Mean of I^2 + Q^2 at the scope while the frame lasts: signal and noise."""
    path, tx, rx = model["path"], model["tx"], model["rx"]
    carrier_hz = (56.16 + 2.16 * settings["dut.tx.channel"]) * 1e9 * (1 + 1e-6 * tx["reference_ppm"])
    tx_weights = element_weights(tx["array"], settings, "tx")
    rx_weights = element_weights(rx["array"], settings, "rx")
    count = len(rx_weights)
    to_volts = 2 * 50 * 10 ** ((rx["gain_db"] - (31 - settings["dut.rx.gain"])) / 10)
    volts = float(settings["source.amplitude"].split()[0])
    element_w = 10 ** ((tx["element_output_dbm"] - (31 - settings["dut.tx.gain"]) - 30) / 10)
    # Departure, arrival with the table at 0 (both with elevation), way, loss, phase.
    rays = [(path["tx_bearing_deg"], path.get("tx_elevation_deg", 0.0), path["table_zero_deg"],
             path.get("rx_elevation_deg", 0.0), 0.0, 0.0, 0.0)]
    for wall in path.get("reflections", []):
        rays.append((wall["departure_deg"], 0.0, wall["arrival_deg"], 0.0, wall["extra_m"],
                     wall["loss_db"], wall["phase_deg"]))
    signal = 0
    for leave_az, leave_el, arrive_az, arrive_el, extra_m, loss_db, phase_deg in rays:
        length_m = path["distance_m"] + extra_m
        loss_db += 20 * np.log10(4 * np.pi * length_m * carrier_hz / C)
        loss_db += path.get("extra_loss_db", 0.0) + gas_db_per_m(path, root) * length_m
        gain = np.sqrt(element_w * to_volts / count) * 10 ** (-loss_db / 20) * volts * FRAME_RMS
        gain *= response(tx["array"], tx_weights, carrier_hz, leave_az, leave_el)
        gain *= response(rx["array"], rx_weights, carrier_hz, arrive_az - angle_deg, arrive_el)
        gain *= np.exp(1j * (np.deg2rad(phase_deg) - 2 * np.pi * carrier_hz * extra_m / C))
        # One ray alone has the mean power of the frame, one a chip.
        signal = signal + gain * (shaped(chips, extra_m / C) if len(rays) > 1 else 1.0)
    noise = BOLTZMANN * 290 * 10 ** (rx["noise_figure_db"] / 10) * noise_band_hz() * to_volts
    noise *= np.sum(np.abs(rx_weights) ** 2) / count
    scope = model["scope"]
    range_v = float(settings["scope.range"].split()[0])
    axis = (scope["noise_of_range"] * range_v) ** 2 + (2 * range_v / 2 ** scope["bits"]) ** 2 / 12
    return np.mean(np.abs(signal) ** 2), noise + 2 * axis


def captured_power_v2(meta, model, settings, chips):
    """Mean of I^2 + Q^2 of the raw codes while the frame lasts."""
    samples = sigmf.fromfile(str(meta), autoscale=False).read_samples()
    range_v = float(settings["scope.range"].split()[0])
    step_v = 2 * range_v / 2 ** model["scope"]["bits"]
    top = 2 ** (model["scope"]["bits"] - 1) - 1
    assert max(np.abs(samples.real).max(), np.abs(samples.imag).max()) < top, "clipped"
    path = model["path"]
    begin_s = 100e-9 + path["cable_delay_s"] + path["distance_m"] / C
    # A margin of 0.2 us at both ends, where the frame begins and ends and rays come one by one.
    first = round((begin_s + 0.2e-6) / 125e-12)
    last = round((begin_s + len(chips) / dmg.CHIP_RATE_HZ - 0.2e-6) / 125e-12)
    assert last <= len(samples)
    return np.mean(np.abs(samples[first:last] * step_v) ** 2)


@pytest.mark.parametrize("name", NAMES)
def test_received_power_over_angle(binary, root, tmp_path, chips, name):
    model = yaml.safe_load((BENCHES / f"{name}.model.yaml").read_text())
    settings, angles = settings_of(name)
    done = subprocess.run(
        [binary, "run", BENCHES / f"{name}.sequence.yaml", "--bench", BENCHES / f"{name}.bench.yaml",
         "--runs", tmp_path],
        cwd=root, capture_output=True, text=True, timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    metas = sorted(tmp_path.glob("*/captures/*.sigmf-meta"))
    assert len(metas) == len(angles)
    off, signals = [], []
    for meta, angle_deg in zip(metas, angles):
        signal, noise = expected_power_v2(model, settings, angle_deg, chips, root)
        got = captured_power_v2(meta, model, settings, chips)
        off.append(10 * np.log10(got / (signal + noise)))
        signals.append(signal)
        print(f"{name} at {angle_deg:+.1f} deg: {10 * np.log10(got):.2f} dB(V^2), off by "
              f"{off[-1]:+.3f} dB, signal over noise {10 * np.log10(signal / noise):.1f} dB")
    print(f"{name}: worst {max(np.abs(off)):.3f} dB")
    # The pattern must show, and not only noise: most angles well above it, over more than 10 dB.
    levels = 10 * np.log10(np.array(signals) / noise)
    assert np.median(levels) > 10 and max(levels) - min(levels) > 10
    assert max(np.abs(off)) < 0.2
