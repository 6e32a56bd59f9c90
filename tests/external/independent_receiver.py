"""A second receiver: from a SigMF capture of a single-carrier frame to bits and figures.

Another way than the program's at every stage: detection by correlation with one Golay sequence and
products of neighbouring periods, an equaliser of half-chip taps trained by least squares on the
preamble (no channel estimate, no Fourier transform), phases from the guards alone, sum-product
decoding in floating point.
"""

import json
import pathlib
from dataclasses import dataclass

import numpy as np
from scipy import linalg, signal

import dmg

HALF_SPAN = 12  # chips of the matched filter to either side
TAPS_BEFORE, TAPS_AFTER = 12, 12  # half chips of the equaliser


def read_capture(meta_path):
    """Volts, sample rate and what the meta file says of a capture of ours."""
    meta_path = pathlib.Path(meta_path)
    meta = json.loads(meta_path.read_text())
    top = meta["global"]
    assert top["core:datatype"] == "ci16_le"
    codes = np.fromfile(meta_path.with_suffix(".sigmf-data"), dtype="<i2").reshape(-1, 2)
    scale = top["beamwarden:channels"]
    i, q = (
        codes[:, n] * scale[n]["volts_per_code"] + scale[n]["offset_v"] for n in range(2)
    )
    return i + 1j * q, top["core:sample_rate"], meta["captures"][0]


def half_chips(samples, per_chip, cfo, first_chip, count, half_span=HALF_SPAN):
    """Matched-filtered values every half chip from `first_chip` on, turned back by `cfo`
    (cycles a chip)."""
    n = np.arange(len(samples))
    still = samples * np.exp(-2j * np.pi * cfo * n / per_chip)
    times = first_chip + np.arange(count) / 2
    return dmg.pulse_sum(still, (0.0, 1 / per_chip), times, half_span) / per_chip


@dataclass
class Found:
    """Where a frame begins, in chips from the first sample, and its carrier offset in cycles a
    chip."""

    start: float
    cfo: float


def find_frame(samples, per_chip):
    """The first whole short training field that stands out."""
    count = int(2 * (len(samples) / per_chip - 1))
    # A short filter is enough to find it.
    values = half_chips(samples, per_chip, 0.0, 0.0, count, half_span=3)
    ga = dmg.rotated(dmg.GA128)
    template = np.zeros(256, dtype=complex)
    template[::2] = ga
    power = np.convolve(np.abs(values) ** 2, np.ones(256), "valid") / 256
    c = signal.correlate(values, template, "valid", method="fft") / 128
    pair = c[256:] * np.conj(c[:-256])
    energy = (power[256:] + power[:-256]) / 2
    # Sixteen sequences of one sign give 15 products of one phase, the last one of the other sign.
    signs = np.array([1.0] * 15 + [-1.0])
    span = len(pair) - 15 * 256
    metric = sum(s * pair[256 * k:256 * k + span] for k, s in enumerate(signs)) / 16
    share = np.abs(metric) / np.maximum(
        sum(energy[256 * k:256 * k + span] for k in range(16)) / 16, 1e-30
    )
    candidates = np.flatnonzero(share > max(0.25, 0.7 * share.max()))
    if not len(candidates):
        return None
    first = candidates[0]
    # A period too early or too late stands out too, the right one more.
    window = np.abs(metric[first:first + 4 * 256])
    best = first + int(np.argmax(window))
    return Found(start=best / 2, cfo=float(np.angle(metric[best]) / (2 * np.pi * 128)))


@dataclass
class Received:
    """Equalised data symbols without rotation, of unit mean power, and what was measured."""

    symbols: np.ndarray
    header_symbols: np.ndarray | None
    cfo_hz: float
    snr_db: float
    start: float


def receive(samples, sample_rate_hz, blocks=None, header=False, chip_rate_hz=dmg.CHIP_RATE_HZ):
    """Equalised symbols of the first frame with so many data blocks after the header's two."""
    per_chip = sample_rate_hz / chip_rate_hz
    samples = samples - samples.mean()
    found = find_frame(samples, per_chip)
    if found is None:
        return None
    known = dmg.preamble()
    cfo = found.cfo
    # Carrier from the whole preamble: phases of its 26 sequences against the known chips.
    for _ in range(3):
        z = half_chips(samples, per_chip, cfo, found.start, 2 * dmg.PREAMBLE_CHIPS)[::2]
        products = (z * np.conj(known)).reshape(-1, 128).sum(axis=1)
        phases = np.unwrap(np.angle(products))
        cfo += np.polyfit(np.arange(26) * 128, phases, 1, w=np.abs(products))[0] / 2 / np.pi
    head = 2 if header else 0
    all_blocks = head + (blocks or 0)
    chips = dmg.PREAMBLE_CHIPS + dmg.BLOCK * all_blocks + dmg.GUARD
    lead = TAPS_BEFORE
    values = half_chips(
        samples, per_chip, cfo, found.start - lead / 2, 2 * chips + lead + TAPS_AFTER
    )
    rows = np.lib.stride_tricks.sliding_window_view(values, lead + TAPS_AFTER + 1)[::2][:chips]
    # Least squares over the preamble without its ends.
    inner = slice(16, dmg.PREAMBLE_CHIPS - 16)
    weights, *_ = linalg.lstsq(rows[inner], known[inner])
    out = rows @ weights
    # Least squares shrinks towards zero; amplitude and phase come from the known chips.
    out /= np.vdot(known[inner], out[inner]) / np.vdot(known[inner], known[inner])

    starts = dmg.PREAMBLE_CHIPS + dmg.BLOCK * np.arange(all_blocks + 1)
    guards = out[starts[:, None] + np.arange(dmg.GUARD)]
    phases = np.unwrap(np.angle(guards @ np.conj(dmg.GUARD_CHIPS)))
    # The phase wanders slowly: a line, and what is left of it smoothed over nine guards.
    at = starts + dmg.GUARD / 2
    anchor_at, anchor = np.append(dmg.PREAMBLE_CHIPS / 2, at), np.append(0.0, phases)
    line = np.polyfit(anchor_at, anchor, 1)
    cfo += line[0] / 2 / np.pi
    left = phases - np.polyval(line, at)
    smooth = np.convolve(np.pad(left, 8, mode="edge"), np.ones(17) / 17, "valid")
    k = np.arange(chips)
    out *= np.exp(-1j * (np.polyval(line, k) + np.interp(k, at, smooth)))
    data = out[starts[:-1, None] + np.arange(dmg.GUARD, dmg.BLOCK)]
    symbols = data * (-1j) ** (np.arange(dmg.DATA) % 4)

    # Noise from all known chips; the trained ones have lost what the taps could fit.
    errors = [out[inner] - known[inner]]
    scale = len(known[inner]) / (len(known[inner]) - len(weights))
    mean_square = np.mean(np.abs(errors[0]) ** 2) * scale
    return Received(
        symbols=symbols[head:],
        header_symbols=symbols[:head] if header else None,
        cfo_hz=cfo * chip_rate_hz,
        snr_db=-10 * np.log10(mean_square),
        start=found.start,
    )


GROUP = 448  # symbols that share a phase in a frame without guards
REACH = 64  # half chips of its equaliser to either side: echoes of echoes count for 64-QAM


def receive_unguarded(samples, sample_rate_hz, bits_per_symbol, count,
                      chip_rate_hz=dmg.CHIP_RATE_HZ):
    """Data symbols of the first frame without guards: the taps are trained on the preamble, then twice
    over on the decisions about the whole frame."""
    per_chip = sample_rate_hz / chip_rate_hz
    found = find_frame(samples, per_chip)
    assert found is not None
    known, cfo = dmg.preamble(), found.cfo
    for _ in range(3):
        z = half_chips(samples, per_chip, cfo, found.start, 2 * dmg.PREAMBLE_CHIPS)[::2]
        products = (z * np.conj(known)).reshape(-1, 128).sum(axis=1)
        phases = np.unwrap(np.angle(products))
        cfo += np.polyfit(np.arange(26) * 128, phases, 1, w=np.abs(products))[0] / 2 / np.pi
    chips = dmg.PREAMBLE_CHIPS + count
    for _ in range(3):
        values = half_chips(samples, per_chip, cfo, found.start - REACH / 2,
                            2 * chips + 2 * REACH)
        rows = np.lib.stride_tricks.sliding_window_view(
            values, 2 * REACH + 1)[::2][:chips]
        inner = slice(16, len(known) - 16)
        taught = np.ascontiguousarray(rows[inner])
        # Normal equations: noise keeps them well conditioned, and they are quick.
        adjoint = taught.conj().T
        weights = linalg.solve(adjoint @ taught, adjoint @ known[inner], assume_a="pos")
        out = rows @ weights
        out /= np.vdot(known[inner], out[inner]) / np.vdot(known[inner], known[inner])
        symbols = out[dmg.PREAMBLE_CHIPS:] * (-1j) ** (np.arange(count) % 4)
        ideal, phases, phase, slope = [], [], 0.0, 0.0
        for group in symbols.reshape(-1, GROUP):
            _, points = decide(group * np.exp(-1j * (phase + slope)), bits_per_symbol)
            new = phase + slope + np.angle(
                np.vdot(points, group * np.exp(-1j * (phase + slope))))
            slope, phase = slope + 0.1 * (new - phase - slope), new
            ideal.append(points)
            phases.append(phase)
        decided = dmg.rotated(np.concatenate(ideal), dmg.PREAMBLE_CHIPS)
        step = np.polyfit(np.arange(len(phases)) * GROUP, phases, 1)[0]
        cfo += step / 2 / np.pi
        known = np.concatenate([dmg.preamble(), decided])
    return symbols * np.exp(-1j * np.repeat(phases, GROUP)), cfo * chip_rate_hz


def decide(symbols, bits_per_symbol):
    """Bits of the nearest points, and the points."""
    points = dmg.constellation(bits_per_symbol)
    flat = symbols.ravel()
    nearest = np.argmin(np.abs(flat[:, None] - points), axis=1)
    shifts = np.arange(bits_per_symbol)[::-1]
    return ((nearest[:, None] >> shifts) & 1).astype(np.uint8).ravel(), points[nearest]


def evm_db(symbols, ideal):
    """IEEE 802.11ad-2012 clause 21.6.4.1.1 (from memory): rms error over rms of the ideal."""
    error = np.mean(np.abs(symbols.ravel() - ideal.ravel()) ** 2)
    return 10 * np.log10(error / np.mean(np.abs(ideal) ** 2))


def log_ratios(symbols, bits_per_symbol, noise):
    """Exact log-likelihood ratios ln P(0)/P(1) of each bit."""
    points = dmg.constellation(bits_per_symbol)
    metric = -np.abs(symbols.ravel()[:, None] - points) ** 2 / noise
    out = np.empty((symbols.size, bits_per_symbol))
    for bit in range(bits_per_symbol):
        ones = (np.arange(len(points)) >> (bits_per_symbol - 1 - bit)) & 1 == 1
        out[:, bit] = np.logaddexp.reduce(metric[:, ~ones], axis=1) - np.logaddexp.reduce(
            metric[:, ones], axis=1
        )
    return out.ravel()


def sum_product(rate, ratios, iterations=50):
    """Decodes rows of 672 log-likelihood ratios; bits, and whether all checks hold."""
    h = dmg.H[rate]
    edges = np.nonzero(h)
    order = [np.flatnonzero(edges[0] == row) for row in range(h.shape[0])]
    columns = edges[1]
    incidence = np.zeros((len(columns), 672))
    incidence[np.arange(len(columns)), columns] = 1
    to_check = np.clip(ratios[:, columns], -30, 30)
    total = ratios
    for _ in range(iterations):
        hard = (total < 0).astype(np.int64)
        valid = ~((hard @ h.T.astype(np.int64)) % 2).any(axis=1)
        if valid.all():
            break
        t = np.tanh(to_check / 2)
        t = np.where(np.abs(t) < 1e-12, 1e-12, t)
        to_bit = np.empty_like(t)
        for row in order:
            others = np.prod(t[:, row], axis=1, keepdims=True) / t[:, row]
            to_bit[:, row] = 2 * np.arctanh(np.clip(others, -1 + 1e-13, 1 - 1e-13))
        total = ratios + to_bit @ incidence
        to_check = np.clip(total[:, columns] - to_bit, -30, 30)
    return (total < 0).astype(np.uint8), valid


@dataclass
class Header:
    bits: np.ndarray
    seed: list
    mcs: int
    octets: int
    valid: bool


def decode_header(symbols, noise):
    """Both blocks and both shortened copies together."""
    mean = (symbols[0] - symbols[1]) / 2
    ratios = log_ratios(mean, 1, noise / 2)
    pn = 1 - 2.0 * dmg.scrambler(dmg.ALL_ONES, 224)
    word = np.zeros(672)
    word[64:504] = 100.0
    word[dmg.FIRST_COPY] += ratios[:224]
    word[dmg.SECOND_COPY] += ratios[224:] * pn
    decided, _ = sum_product("3/4", word[None])
    bits = decided[0][:64].copy()
    bits[7:] ^= dmg.scrambler(bits[:7], 57)
    number = lambda field: int(sum(int(b) << n for n, b in enumerate(field)))
    return Header(
        bits=bits, seed=list(bits[:7]), mcs=number(bits[7:12]), octets=number(bits[12:30]),
        valid=bool((dmg.crc16(bits[:48]) == bits[48:]).all()),
    )


def decode_payload(header, symbols, noise):
    """PSDU, failed codewords, and wrong bits before decoding."""
    scheme = dmg.SCHEMES[header.mcs]
    words, information, _ = scheme.sizes(header.octets)
    ratios = log_ratios(symbols, scheme.bits, noise)[:672 * words].reshape(words, 672)
    assert scheme.repetition == 1
    decided, valid = sum_product(scheme.rate, ratios)
    raw_errors = int(((ratios < 0) != decided).sum())
    bits = decided[:, :scheme.information].ravel()
    bits = bits ^ dmg.scrambler(header.seed, 57 + information)[57:]
    return dmg.bits_to_octets(bits[:8 * header.octets]), int((~valid).sum()), raw_errors
