"""Single-carrier frames of the DMG PHY after the published facts, for independent checks.

Written from IEEE Std 802.11ad-2012 clauses 21.3.6 to 21.3.11 and 21.6.3 as public sources reprint
them, and from the worked example of IEEE 802.11 submission 11-12/0077r0; nothing is taken from the
program under test. `test_receiver.py` first holds this module against that example.
"""

from dataclasses import dataclass

import numpy as np

CHIP_RATE_HZ = 1.76e9
ROLL_OFF = 0.25
STF_CHIPS, PREAMBLE_CHIPS, BLOCK, GUARD = 2176, 3328, 512, 64
DATA = BLOCK - GUARD


def golay(delays, weights):
    """Pair of sequences of 21.11: recursion from a unit impulse, sent in reversed order."""
    length = 2 ** len(delays)
    a = np.zeros(length)
    a[0] = 1
    b = a.copy()
    for delay, weight in zip(delays, weights):
        later = np.concatenate([np.zeros(delay), b[:-delay]])
        a, b = weight * a + later, weight * a - later
    return a[::-1], b[::-1]


GA128, GB128 = golay([1, 8, 2, 4, 16, 32, 64], [-1, -1, -1, -1, 1, -1, -1])
GA64, _ = golay([2, 1, 4, 8, 16, 32], [1, 1, -1, -1, 1, -1])


def rotated(chips, first=0):
    """The turn by pi/2 from chip to chip."""
    return np.asarray(chips) * 1j ** ((first + np.arange(len(chips))) % 4)


def preamble():
    gu = [-GB128, -GA128, GB128, -GA128]
    gv = [-GB128, GA128, -GB128, -GA128]
    return rotated(np.concatenate([GA128] * 16 + [-GA128] + gu + gv + [-GB128]))


GUARD_CHIPS = rotated(GA64)

# Shift tables of 21.3.8; -1 is a zero block, s an identity with columns shifted right by s.
SHIFTS = {
    "1/2": """40 -1 38 -1 13 -1 5 -1 18 -1 -1 -1 -1 -1 -1 -1
        34 -1 35 -1 27 -1 -1 30 2 1 -1 -1 -1 -1 -1 -1
        -1 36 -1 31 -1 7 -1 34 -1 10 41 -1 -1 -1 -1 -1
        -1 27 -1 18 -1 12 20 -1 -1 -1 15 6 -1 -1 -1 -1
        35 -1 41 -1 40 -1 39 -1 28 -1 -1 3 28 -1 -1 -1
        29 -1 0 -1 -1 22 -1 4 -1 28 -1 27 -1 23 -1 -1
        -1 31 -1 23 -1 21 -1 20 -1 -1 12 -1 -1 0 13 -1
        -1 22 -1 34 31 -1 14 -1 4 -1 -1 -1 13 -1 22 24""",
    "5/8": """20 36 34 31 20 7 41 34 -1 10 41 -1 -1 -1 -1 -1
        30 27 -1 18 -1 12 20 14 2 25 15 6 -1 -1 -1 -1
        35 -1 41 -1 40 -1 39 -1 28 -1 -1 3 28 -1 -1 -1
        29 -1 0 -1 -1 22 -1 4 -1 28 -1 27 24 23 -1 -1
        -1 31 -1 23 -1 21 -1 20 -1 9 12 -1 -1 0 13 -1
        -1 22 -1 34 31 -1 14 -1 4 -1 -1 -1 -1 -1 22 24""",
    "3/4": """35 19 41 22 40 41 39 6 28 18 17 3 28 -1 -1 -1
        29 30 0 8 33 22 17 4 27 28 20 27 24 23 -1 -1
        37 31 18 23 11 21 6 20 32 9 12 29 -1 0 13 -1
        25 22 4 34 31 3 14 15 4 -1 14 18 13 13 22 24""",
    "13/16": """29 30 0 8 33 22 17 4 27 28 20 27 24 23 -1 -1
        37 31 18 23 11 21 6 20 32 9 12 29 10 0 13 -1
        25 22 4 34 31 3 14 15 4 2 14 18 13 13 22 24""",
}


def parity_matrix(rate):
    rows = [[int(s) for s in row.split()] for row in SHIFTS[rate].splitlines()]
    matrix = np.zeros((42 * len(rows), 672), dtype=np.uint8)
    for i, row in enumerate(rows):
        for j, shift in enumerate(row):
            if shift >= 0:
                r = np.arange(42)
                matrix[42 * i + r, 42 * j + (r + shift) % 42] = 1
    return matrix


def generator(rate):
    """Parity bits = information bits times this matrix, by elimination over GF(2)."""
    h = parity_matrix(rate)
    checks = h.shape[0]
    # Put [parity | information] side by side and reduce the parity part to the identity.
    work = np.concatenate([h[:, 672 - checks:], h[:, :672 - checks]], axis=1)
    for column in range(checks):
        pivot = column + np.flatnonzero(work[column:, column])[0]
        work[[column, pivot]] = work[[pivot, column]]
        others = np.flatnonzero(work[:, column])
        others = others[others != column]
        work[others] ^= work[column]
    return work[:, checks:].T


H = {rate: parity_matrix(rate) for rate in SHIFTS}
G = {rate: generator(rate) for rate in SHIFTS}


def encode_words(rate, words):
    """Codewords of a matrix of information words, one a row."""
    parity = (words.astype(np.int64) @ G[rate].astype(np.int64)) % 2
    return np.concatenate([words, parity.astype(np.uint8)], axis=1)


@dataclass(frozen=True)
class Scheme:
    bits: int  # per symbol
    rate: str
    repetition: int = 1

    @property
    def information(self):
        numerator, denominator = map(int, self.rate.split("/"))
        return 672 * numerator // denominator

    def sizes(self, octets):
        """Codewords, padded information bits, blocks."""
        per_word = self.information // self.repetition
        words = -(-8 * octets // per_word)
        return words, words * per_word, -(-words * 672 // (DATA * self.bits))


SCHEMES = {
    1: Scheme(1, "1/2", 2), 2: Scheme(1, "1/2"), 3: Scheme(1, "5/8"), 4: Scheme(1, "3/4"),
    5: Scheme(1, "13/16"), 6: Scheme(2, "1/2"), 7: Scheme(2, "5/8"), 8: Scheme(2, "3/4"),
    9: Scheme(2, "13/16"), 10: Scheme(4, "1/2"), 11: Scheme(4, "5/8"), 12: Scheme(4, "3/4"),
}


def scrambler(start, count):
    """Outputs of x^7 + x^4 + 1 from the state X1 to X7."""
    state, out = list(start), np.empty(count, dtype=np.uint8)
    for n in range(count):
        out[n] = bit = state[3] ^ state[6]
        state = [bit, *state[:6]]
    return out


ALL_ONES = [1] * 7


def constellation(bits):
    """Points in the order of their bits, first bit highest."""
    values = np.arange(2**bits)
    c = [(values >> (bits - 1 - n)) & 1 for n in range(bits)]
    s = [2.0 * x - 1 for x in c]
    if bits == 1:
        return s[0] + 0j
    if bits == 2:
        return (s[0] + 1j * s[1]) / np.sqrt(2) * np.exp(-0.25j * np.pi)
    if bits == 6:
        # Three bits an axis (IEEE 802.11-2016 clause 20.6.3.2.4.5, from memory).
        level = lambda first, second, third: first * (4 - second * (2 - third))
        return (level(*s[:3]) + 1j * level(*s[3:])) / np.sqrt(42)
    level = lambda first, second: 2 * first - first * second
    return (level(s[0], s[1]) + 1j * level(s[2], s[3])) / np.sqrt(10)


def map_bits(bits_per_symbol, bits):
    weights = 1 << np.arange(bits_per_symbol)[::-1]
    return constellation(bits_per_symbol)[bits.reshape(-1, bits_per_symbol) @ weights]


def octets_to_bits(octets):
    return np.unpackbits(np.frombuffer(bytes(octets), dtype=np.uint8), bitorder="little")


def bits_to_octets(bits):
    return np.packbits(bits, bitorder="little").tobytes()


def crc16(bits):
    """Header check sequence: x^16 + x^12 + x^5 + 1, start all ones, complemented."""
    register = 0xFFFF
    for bit in bits:
        feedback = (register >> 15) ^ int(bit)
        register = (register << 1) & 0xFFFF
        if feedback:
            register ^= 0x1021
    return np.array([(~register >> (15 - n)) & 1 for n in range(16)], dtype=np.uint8)


def header_bits(mcs, octets, seed):
    bits = np.zeros(64, dtype=np.uint8)
    bits[:7] = seed
    bits[7:12] = [(mcs >> n) & 1 for n in range(5)]
    bits[12:30] = [(octets >> n) & 1 for n in range(18)]
    bits[48:] = crc16(bits[:48])
    return bits


# Places of the 504 + 168 codeword bits that the two copies of the header carry.
FIRST_COPY = np.r_[0:64, 504:664]
SECOND_COPY = np.r_[0:64, 504:656, 664:672]


def encode_header(bits):
    seed = bits[:7]
    scrambled = bits.copy()
    scrambled[7:] ^= scrambler(seed, 57)
    word = np.concatenate([scrambled, np.zeros(440, dtype=np.uint8)])
    codeword = encode_words("3/4", word[None])[0]
    second = codeword[SECOND_COPY] ^ scrambler(ALL_ONES, 224)
    return np.concatenate([codeword[FIRST_COPY], second])


def encode_payload(mcs, psdu, seed):
    scheme = SCHEMES[mcs]
    words, information, blocks = scheme.sizes(len(psdu))
    bits = np.zeros(information, dtype=np.uint8)
    bits[:8 * len(psdu)] = octets_to_bits(psdu)
    pad = blocks * DATA * scheme.bits - words * 672
    stream = scrambler(seed, 57 + information + pad)[57:]
    bits ^= stream[:information]
    words = bits.reshape(words, -1)
    if scheme.repetition == 2:
        coded = encode_words("1/2", np.concatenate([words, 0 * words], axis=1))
        coded[:, 168:336] = words ^ scrambler(ALL_ONES, 168)
    else:
        coded = encode_words(scheme.rate, words)
    return np.concatenate([coded.ravel(), stream[information:]])


def blocks_of(symbols):
    """Guard and rotated symbols of each block."""
    rows = symbols.reshape(-1, DATA) * 1j ** (np.arange(DATA) % 4)
    guards = np.broadcast_to(GUARD_CHIPS, (len(rows), GUARD))
    return np.concatenate([guards, rows], axis=1).ravel()


def frame(mcs, psdu, seed=(0, 1, 0, 0, 0, 0, 1)):
    """All chips of a coded frame."""
    head = map_bits(1, encode_header(header_bits(mcs, len(psdu), seed)))
    data = map_bits(SCHEMES[mcs].bits, encode_payload(mcs, psdu, seed))
    symbols = np.concatenate([head, -head, data])
    return np.concatenate([preamble(), blocks_of(symbols), GUARD_CHIPS])


def uncoded_frame(bits_per_symbol, bits):
    return np.concatenate([preamble(), blocks_of(map_bits(bits_per_symbol, bits)), GUARD_CHIPS])


def unguarded_frame(bits_per_symbol, bits):
    """Preamble, then the data symbols without a gap, the turn by pi/2 running on."""
    return np.concatenate([preamble(), rotated(map_bits(bits_per_symbol, bits), PREAMBLE_CHIPS)])


def root_raised_cosine(t, roll_off=ROLL_OFF):
    """Impulse response of unit energy, time in chips (Proakis, Digital Communications)."""
    t = np.asarray(t, dtype=float)
    a = roll_off
    out = np.empty_like(t)
    zero, pole = np.abs(t) < 1e-9, np.abs(np.abs(4 * a * t) - 1) < 1e-7
    x = t[~zero & ~pole]
    out[~zero & ~pole] = (
        np.sin(np.pi * x * (1 - a)) + 4 * a * x * np.cos(np.pi * x * (1 + a))
    ) / (np.pi * x * (1 - (4 * a * x) ** 2))
    out[zero] = 1 - a + 4 * a / np.pi
    out[pole] = a / np.sqrt(2) * (
        (1 + 2 / np.pi) * np.sin(np.pi / 4 / a) + (1 - 2 / np.pi) * np.cos(np.pi / 4 / a)
    )
    return out


SUB_POSITIONS = 4096  # of a grid step; nearest one: error below -70 dB


def pulse_sum(values, values_at, times, half_span):
    """sum_k values[k] pulse(times - values_at(k)) on a uniform grid of values.

    `times` are in chips; `values_at` is (first, step) in chips of the values' grid.
    """
    first, step = values_at
    width = int(np.ceil(half_span / step))
    padded = np.concatenate([np.zeros(width), values, np.zeros(width + 1)])
    taps = np.arange(-width, width + 1)
    places = (np.arange(SUB_POSITIONS + 1) / SUB_POSITIONS - 0.5) * step
    table = root_raised_cosine(places[:, None] - taps * step)
    out = np.empty(len(times), dtype=complex)
    windows = np.lib.stride_tricks.sliding_window_view(padded, len(taps))
    for start in range(0, len(times), 20000):
        t = (times[start:start + 20000] - first) / step
        nearest = np.clip(np.round(t).astype(int), 0, len(values) - 1)
        place = np.round((t - nearest + 0.5) * SUB_POSITIONS).astype(int)
        weights = table[np.clip(place, 0, SUB_POSITIONS)]
        out[start:start + 20000] = np.einsum("ij,ij->i", weights, windows[nearest])
    return out


def prbs23(seed, count):
    """x^23 + x^18 + 1, sent inverted (ITU-T O.150 clause 5.6, from memory).

    The metadata's seed is the register at the start: bit k is what was fed back k + 1 bits before.
    """
    state = [(seed >> n) & 1 for n in range(23)]
    history = state[::-1]
    for n in range(count):
        history.append(history[-23] ^ history[-18])
    return 1 - np.array(history[23:], dtype=np.uint8)
