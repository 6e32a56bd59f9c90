"""PyVISA with its pure-Python back end as an independent client of the simulated instruments.

Message forms: IEEE 488.2 and SCPI-99 as this client and its library implement them; HiSLIP (IVI-6.1,
version 1.0, synchronised mode) likewise. Over sockets, a serial line and HiSLIP.
"""

import numpy
import pytest
import pyvisa


@pytest.fixture()
def manager():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


def resource_name(address):
    if address.startswith("tcp://"):
        host, port = address.removeprefix("tcp://").split(":")
        return f"TCPIP::{host}::{port}::SOCKET"
    if address.startswith("hislip://"):
        place, device = address.removeprefix("hislip://").split("/")
        host, port = place.split(":")
        return f"TCPIP::{host}::{device},{port}::INSTR"
    return f"ASRL{address.removeprefix('serial://').split('?')[0]}::INSTR"


def session(manager, address):
    opened = manager.open_resource(resource_name(address))
    opened.read_termination = "\n"
    opened.write_termination = "\n"
    opened.timeout = 10_000
    return opened


ROLES = ["waveform source", "scope", "dut control port", "turntable", "supply"]


@pytest.mark.parametrize("role", ROLES)
def test_identifies_itself(manager, addresses, role):
    fields = session(manager, addresses[role]).query("*IDN?").split(",")
    assert len(fields) == 4
    assert all(fields)


@pytest.mark.parametrize("role", [role for role in ROLES if role != "dut control port"])
def test_standard_and_error_queue(manager, addresses, role):
    instrument = session(manager, addresses[role])
    assert instrument.query("SYSTem:VERSion?") == "1999.0"
    assert instrument.query("SYST:ERR?").startswith("0,")
    assert instrument.query("*ESR?") == "128"  # power on, read for the first time
    instrument.write("NO:SUCH:HEADer 1")
    assert instrument.query("SYSTem:ERRor:NEXT?").startswith("-113,")
    assert instrument.query("*ESR?") == "32"  # command error, IEEE 488.2 section 11.5.1
    assert instrument.query("SYST:ERR?").startswith("0,")


def checked(instrument, command):
    instrument.write(command)
    error = instrument.query("SYST:ERR?")
    assert error.startswith("0,"), f"{command}: {error}"


def load_tone(source, points, cycles):
    phase = 2 * numpy.pi * cycles * numpy.arange(points) / points
    codes = numpy.empty(2 * points, dtype="int16")
    codes[0::2] = numpy.round(30000 * numpy.cos(phase))
    codes[1::2] = numpy.round(30000 * numpy.sin(phase))
    for command in ["CLOC:FREQ 7.04E9", "VOLT 0.4", "FORM INT,16", "FORM:BORD SWAP",
                    "TRAC:DEL:ALL", f"TRAC:DEF TONE,{points}"]:
        checked(source, command)
    source.write_binary_values("TRAC:DATA TONE,", codes, datatype="h", is_big_endian=False)
    assert source.query("SYST:ERR?").startswith("0,")
    assert int(source.query("TRAC:POIN? TONE")) == points
    for command in ["FUNC:USER TONE", "FUNC USER", "OUTP ON"]:
        checked(source, command)


def acquire(scope):
    scope.write("INIT")
    assert scope.query("*OPC?") == "1"
    channels = []
    for channel in ["CH1", "CH2"]:
        volts_per_code = float(scope.query(f"TRAC:SCAL? {channel}").split(",")[0])
        codes = scope.query_binary_values(
            f"TRAC:DATA? {channel}", datatype="h", is_big_endian=False, container=numpy.array
        )
        channels.append(codes * volts_per_code)
    assert scope.query("SYST:ERR?").startswith("0,")
    return channels[0] + 1j * channels[1]


def test_a_loaded_tone_arrives_at_the_scope(manager, addresses):
    """Source, chips and scope together: a tone of known frequency comes through, offset by the
    chips' carriers, and is gone when the source's output is off."""
    supply = session(manager, addresses["supply"])
    for command in ["VOLT 1.2", "CURR 0.6", "OUTP ON"]:
        checked(supply, command)
    assert supply.query("*OPC?") == "1"  # the output has settled
    assert float(supply.query("MEAS:VOLT?")) == pytest.approx(1.2, rel=0.01)
    dut = session(manager, addresses["dut control port"])
    for page in ["0", "1"]:
        # channel 3, gain, enable (registers of the plain text port)
        for register, value in [("002", "0003"), ("003", "0014"), ("001", "0001")]:
            assert dut.query(f"w {page}{register} {value}") == "ok"
            assert dut.query(f"r {page}{register}") == f"= {value}"
    source = session(manager, addresses["waveform source"])
    points, cycles = 7040, 100  # 100 MHz at 7.04 GS/s
    load_tone(source, points, cycles)
    scope = session(manager, addresses["scope"])
    for command in ["VOLT:RANG 0.5", "SWE:TINT 125E-12", "SWE:POIN 16384", "TRIG:SOUR IMM",
                    "FORM INT,16", "FORM:BORD SWAP"]:
        checked(scope, command)
    with_tone = acquire(scope)
    assert len(with_tone) == 16384
    spectrum = numpy.abs(numpy.fft.fft(with_tone * numpy.hanning(len(with_tone))))
    peak_hz = numpy.fft.fftfreq(len(with_tone), 125e-12)[spectrum.argmax()]
    # Two oscillators within 20 ppm of 62.64 GHz each (IEEE 802.11ad, from memory): 2.5 MHz.
    assert peak_hz == pytest.approx(100e6, abs=2.6e6)
    checked(source, "OUTP OFF")
    without = acquire(scope)
    assert numpy.mean(numpy.abs(with_tone) ** 2) > 10 * numpy.mean(numpy.abs(without) ** 2)


def test_the_turntable_goes_where_it_is_sent(manager, addresses):
    turntable = session(manager, addresses["turntable"])
    checked(turntable, "AXIS:SPE 40")
    turntable.write("AXIS:POS 10")
    assert turntable.query("*OPC?") == "1"
    assert float(turntable.query("AXIS:POS?")) == pytest.approx(10, abs=0.1)
    turntable.write("AXIS:POS 1000")
    assert turntable.query("SYST:ERR?").startswith("-222,")


# IVI-6.1: what a socket for bare bytes cannot do.


def test_the_status_byte_comes_beside_the_data(manager, over_hislip):
    turntable = session(manager, over_hislip["turntable"])
    assert turntable.read_stb() == 0
    turntable.write("NO:SUCH")
    assert turntable.query("*OPC?") == "1"  # the message before it was executed by then
    assert turntable.read_stb() & ~16 == 4  # the error queue bit of SCPI-99
    assert turntable.query("SYST:ERR?").startswith("-113,")
    assert turntable.read_stb() & ~16 == 0


def test_a_device_clear_ends_a_question_that_waits(manager, over_hislip):
    turntable = session(manager, over_hislip["turntable"])
    checked(turntable, "AXIS:SPE 10")
    turntable.timeout = 300
    turntable.write("AXIS:POS 20")
    with pytest.raises(pyvisa.errors.VisaIOError):
        turntable.query("*OPC?")
    turntable.clear()
    turntable.timeout = 10_000
    assert float(turntable.query("AXIS:SPE?")) == 10
    assert turntable.query("SYST:ERR?").startswith("0,")


@pytest.mark.parametrize("points", [1, 5120, 262_135, 262_140, 262_145, 1 << 20])
def test_blocks_around_and_beyond_the_message_size(manager, over_hislip, points):
    """Both sides agree on messages of 2^20 bytes; four bytes a point."""
    source = session(manager, over_hislip["waveform source"])
    codes = (numpy.arange(2 * points) * 7919 % 65536 - 32768).astype("int16")
    for command in ["FORM INT,16", "FORM:BORD SWAP", f"TRAC:DEF W,{points}"]:
        checked(source, command)
    source.write_binary_values("TRAC:DATA W,", codes, datatype="h", is_big_endian=False)
    assert source.query("SYST:ERR?").startswith("0,")
    back = source.query_binary_values(
        "TRAC:DATA? W", datatype="h", is_big_endian=False, container=numpy.array
    )
    assert numpy.array_equal(back, codes)
    assert source.query("SYST:ERR?").startswith("0,")


def test_several_clients_at_one_instrument(manager, over_hislip):
    one, two = (session(manager, over_hislip["supply"]) for _ in range(2))
    checked(one, "VOLT 1.1")
    assert float(two.query("VOLT?")) == pytest.approx(1.1)
    one.close()
    assert float(two.query("VOLT?")) == pytest.approx(1.1)
