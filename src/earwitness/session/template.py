"""The session.toml that a newcomer fills in."""

from __future__ import annotations

from pathlib import Path

from earwitness.errors import InputError, OutputError
from earwitness.session.patterns import FILE

TEMPLATE = """\
# One measuring session of one loudspeaker.
#
# Fill in every "" and every 0 below. A line that begins with # and a letter is a key you may use: take away
# the # and write your value. Lengths are in meters, frequencies in hertz, times in seconds, text in quotes.
# Loading the folder says what is missing, with line and remedy. docs/session-folder.md explains every key.
#
# SAFETY. Test signals are louder than they sound: start at a low level, wear hearing protection, and keep
# others out of the room. Switch the amplifier off before touching its terminals; some carry dangerous voltages
# and some may not be joined to ground. Get help with heavy cabinets and secure stands against tipping. Leave
# mains wiring closed; the electrical rules of your place go before anything written here.

format = 1                  # version of this layout, always 1
date = ""                   # day of the session: "2026-11-01"

[loudspeaker]
name = ""                   # model name as printed
maker = ""
type = ""                   # stand-mount, floor-stander, in-wall, center, subwoofer, monitor, horn or other
enclosure = ""              # closed, vented, passive radiator, open or other
width_m = 0                 # outer size: 200 mm are 0.2
height_m = 0
depth_m = 0
reference_axis = ""         # where the microphone points at 0 degrees: "height of the tweeter"
#powered = true             # has its amplifier built in
#invented = true            # the loudspeaker exists only for demonstration
#year = 2026
#shape = "box"              # of the cabinet: box, sphere or other (round, tapered, curved)
#mass_kg = 7.5
#reference_below_top_m = 0.09   # from the cabinet's top to the reference point on its front
#reference_left_m = 0.0     # of the reference point from the front's middle, to the left
#symmetric = true           # left and right half alike; false for a tweeter off center
#rated_impedance_ohm = 8.0
#use = "living room"        # desk, bedroom, living room, large room or background: the verdict is held against it

#[loudspeaker.price]
#amount = 900.0             # when tested
#currency = "EUR"           # code of three letters
#per = "pair"               # pair or piece

# Once for every cone, dome, horn and port. The names are used by near-field takes.
[[loudspeaker.driver]]
name = ""                   # "woofer", "port"
kind = ""                   # cone, dome, horn, ribbon, port, passive radiator or other
diameter_m = 0              # from middle to middle of the surround; a port: its mouth
#area_m2 = 0.0085           # in place of diameter_m: effective area, 85 cm2
#position_m = [0.0, 0.0, -0.15]   # center, from the reference point on the front: forward, to its left, up
#position_u_m = 0.005       # how well that is known; 1 cm where left out
#count = 1                  # alike drivers that work as one, in a row about that place

# Once for every claim of the maker that the test should judge.
#[[loudspeaker.claim]]
#quantity = "frequency range"   # sensitivity, sensitivity 1 W, lowest frequency, highest frequency,
#                           # frequency range, rated impedance, minimum impedance, amplifier power, highest level
#value = 45.0
#value_to = 20000.0         # second number of a range
#unit = "Hz"                # dB, Hz, kHz, ohm or W
#tolerance_db = 3.0         # the 3 of "+-3 dB"
#drop_db = 6.0              # the 6 of "at -6 dB"
#text = "45 Hz - 20 kHz"    # as printed

#[tester]
#name = "your name"
#obtained = "bought in a shop"
#disclosure = "no ties to the maker"
#level_db = 90.0            # SPL at 1 m at which you compare distortion, beside 86 and 96 dB
#sensitivity_classes_db = [84.0, 88.0]   # your limits between low, medium and high sensitivity

[microphone]
# Give one of the two: the sensitivity here, or a calibrator recording below.
#sensitivity_fs_per_pa = 0.02     # digital full scale (peak 1.0) for each pascal, with the gain of the takes
#sensitivity_u_db = 0.2     # its standard uncertainty
#name = "measuring microphone"
#serial = "0000"
#correction_file = "microphone.txt"   # frequency and dB, perhaps degrees, one point a line
#correction_u_db = 0.3      # its standard uncertainty

#[microphone.calibrator]
#file = "calibrator.wav"    # 5 to 10 s of the calibrator on the microphone, same gain as the takes
#serial = "0000"            # one calibrator's error cancels between loudspeakers
#level_db = 94.0
#frequency_hz = 1000.0
#channel = 1
#tolerance_db = 0.25        # of the calibrator's level

[drive]
voltage_v = 0               # rms at the loudspeaker's terminals during the sweep; 2.83 is usual
#u_db = 0.1                 # its standard uncertainty

[stimulus]
kind = "sweep"              # exponential sweep by its parameters; kind = "file" for a file that was played
#form = "synchronized"      # synchronized sin(2 pi f1 L exp(t/L)) or classic sin(2 pi f1 L (exp(t/L) - 1))
start_hz = 0                # 10 to 20 is usual
stop_hz = 0                 # at most half the sample rate
duration_s = 0
#fade_in_s = 0.01
#fade_out_s = 0.01
#lead_in_s = 0.5            # silence before the sweep in every recording; serves as noise sample. Live takes
#                           # are made with it: give them 0.2 or more

# In place of the sweep above:
#[stimulus]
#kind = "file"
#file = "played.wav"        # the file that was played
#channel = 1
#lead_in_s = 0.5

# A longer sweep for louder takes, say; a take that was recorded with it says stimulus = "long".
#[[other_stimulus]]         # keys as under [stimulus], and a name
#name = "long"
#kind = "sweep"
#form = "synchronized"
#start_hz = 20.0
#stop_hz = 20000.0
#duration_s = 10.0
#fade_in_s = 0.01
#fade_out_s = 0.01
#lead_in_s = 0.5

#[[other_stimulus]]
#name = "played file"
#kind = "file"
#file = "played_long.wav"
#channel = 1
#lead_in_s = 0.5

#[reference]                # a channel that recorded the signal on its way to the loudspeaker
#channel = 2
#volts_per_fs = 20.0        # terminal voltage at full scale, where it was tapped at the terminals

# Which specimen, and in which state, where more than one is measured:
#[unit]
#serial = "A 0412"
#batch = "2026-03"
#hours = 120                # of use before
#side = "left"              # of a pair: left or right
#[variant]
#preset = "flat"
#firmware = "2.1"
#grille = "off"             # on or off
#port_plugs = "none"
#placement = "free"         # free, wall, corner or half space
#condition = "after repair"

[environment]
#temperature_c = 20.0
#humidity_percent = 50.0
#pressure_kpa = 101.325
# Far-field takes need exactly one of the three: anechoic, first_reflection_ms or the table [environment.room].
#anechoic = true            # anechoic room, or outdoors without a reflecting ground
#first_reflection_ms = 4.5  # after the direct sound

#[environment.room]         # measured from one corner of the floor
#length_m = 6.0
#width_m = 4.5
#height_m = 2.6
#loudspeaker_m = [2.0, 2.2, 1.2]   # reference point: along length, width, height
#microphone_m = [4.0, 2.2, 1.2]

# Where the turntable turned about another place than the reference point:
#[turntable]
#axis_m = [-0.13, 0.0, 0.0] # a point of its axis, from the reference point: forward, to its left, up
#vertical_axis_m = [-0.13, 0.0, -0.1]   # the same for the vertical orbit, where that is another

# A whole orbit in one table: {angle} stands for the degrees in the file names, -10, 0, 030; .* at the end for
# .wav or .flac.
# Horizontal angles grow to the loudspeaker's left, vertical ones upward.
[[take]]
kind = "far-field"
orbit = "horizontal"        # horizontal or vertical
distance_m = 0              # reference point to microphone
files = "horizontal/{angle}.wav"
#microphone_channel = 1
#reference_channel = 2      # where it differs from [reference]
#drive_v = 2.83             # where it differs from [drive]
#temperature_c = 21.5       # where it differs from [environment]
#stimulus = "long"          # name of an [[other_stimulus]], where it is not that of [stimulus]
#note = "text"

# A single recording in place of an orbit:
#[[take]]
#kind = "far-field"
#orbit = "vertical"
#angle_deg = 0.0
#distance_m = 2.0
#file = "vertical_0.wav"
#id = "vertical axis"       # made from the file name when left out

#[[take]]
#kind = "near-field"
#driver = "woofer"          # name of a driver above
#distance_m = 0.005         # gap between microphone and cone
#file = "near_woofer.wav"

# Level series: one table a step, rising.
#[[take]]
#kind = "level"
#drive_v = 8.0
#distance_m = 2.0
#driver = "woofer"          # only where the microphone stood close to this driver
#pause_s = 120.0            # rest since the take before, in which coils cooled
#file = "level_8V.wav"

#[[take]]
#kind = "multitone"
#drive_v = 2.83
#distance_m = 2.0
#stimulus_file = "multitone.wav"  # the file that was played
#period_s = 1.0
#run_in_s = 1.0             # before the first whole period
#file = "multitone_take.wav"

# Two tones at once, for intermodulation.
#[[take]]
#kind = "two-tone"
#drive_v = 2.83             # rms of both together
#distance_m = 1.0
#low_hz = 60.0
#high_hz = 7000.0
#run_in_s = 1.0             # before both are at full level
#length_s = 1.0             # what is read from there on, whole periods of both
#file = "two_tones.wav"

# One burst: one table for each frequency and level, rising.
#[[take]]
#kind = "burst"
#drive_v = 8.0              # its peak voltage
#distance_m = 2.0
#frequency_hz = 40.0
#before_s = 0.4             # silence before the burst, read as noise
#file = "burst_40_8V.wav"

# Noise that lasts, for the loss of level by heat.
#[[take]]
#kind = "noise run"
#drive_v = 8.0              # rms
#distance_m = 1.0
#run_in_s = 1.0             # before the noise is at full level
#duration_s = 60.0          # from there to its end
#length_s = 2.0             # compared at the start and at the end
#file = "noise_run.wav"

#[[take]]
#kind = "impedance"
#circuit = "series resistor"      # or "resistor in ground leg", or "over load and resistor"
#resistor_ohm = 10.0
#resistor_tolerance_percent = 1.0
#channel_a = 1
#channel_b = 2
#role = "load"              # load, open, short or reference
#reference_ohm = 10.0       # with role = "reference"
#file = "impedance.wav"

# In place of impedance recordings: a text table of frequency in Hz, magnitude in ohm and phase in degrees.
#[[take]]
#kind = "impedance table"
#u_percent = 2.0            # standard uncertainty of the magnitude
#u_deg = 2.0                # and of the phase, in degrees
#file = "impedance.txt"

# A near-field scan in place of far-field and near-field takes; "earwitness measure plan" writes its points.
#[scan]
#body = "box"               # what the cabinet is to the room's sound: box, sphere or none
#body_center_m = [-0.15, 0.0, -0.05]  # its middle from the reference point
#sphere_radius_m = 0.18     # only where the cabinet is a sphere
#gain_u_db = 0.05           # standard uncertainties, where they are known: gain between the surfaces,
#drift_u_db = 0.1           # its drift over the scan, the clock's,
#clock_drift_us = 1.0
#radius_u_m = 0.0005        # radii, single places, temperature
#place_u_m = 0.0005
#temperature_u_c = 0.5

#[[take]]
#kind = "scan"
#positions = "scan/positions.csv"   # where the points are, a row for each
#files = "scan/p_{point}.wav"       # {point} is the row, from 1; or a column "file" in the table
#monitor_channel = 3                # of a second microphone that stays in its place

# A single point in place of a table:
#[[take]]
#kind = "scan"
#position_m = [0.4, 0.0, 0.1]
#surface = "inner"
#file = "scan/front.wav"

# The whole scan as complex pressures, SOFA or CSV:
#[[take]]
#kind = "scan pressures"
#sound = "with the room"    # or "gated", "free field"
#lowest_valid_hz = 300.0    # of gated sound, 1.2 over the gate's length in seconds
#file = "scan.sofa"

# Responses that were measured before, in place of recordings (docs/responses.md); they need no [microphone] and no
# [stimulus], and `earwitness measure from-files` writes all of this by itself.
#[responses]
#level = "absolute"         # or "relative"
#reference_distance_m = 1.0 # that the levels are stated for
#measured_distance_m = 2.0
#space = "gated"            # gated, anechoic, ground plane, scan, room or unknown
#gate_ms = 5.0
#smoothing = "none"         # or a width in octaves: "1/24"
#phase = "one time reference"   # none, one time reference, each direction its own or unknown
#measured_by = "somebody"
#u_db = 0.5                 # standard uncertainty of the levels
#lowest_hz = 200.0          # the band in which the data are good
#highest_hz = 20000.0

#[[take]]
#kind = "response"
#files = "h_{angle}.txt"    # one table a direction
#orbit = "horizontal"
#columns = "Hz, dB SPL, deg"    # where the tables have no titles
#unit = "dB SPL"            # where they do not say what their decibels are

#[[take]]
#kind = "impulse response"
#files = "ir_{angle}.wav"
#orbit = "vertical"
#samples = "Pa/V"           # Pa/V, Pa/V per second or relative
#channel = 1

#[[take]]
#kind = "directions"        # several directions in one file: a table, or SOFA
#file = "balloon.sofa"
#plane = "horizontal"       # of a table that does not say
#axis_deg = [0.0, 0.0]      # azimuth and elevation of the reference axis in a SOFA file that names no view
#data = "Pa/V"              # values of a SOFA file: Pa/V, Pa or relative
#source_positions = "radiated directions"   # what they mean in a SOFA file, or "places of the source"
#harmonics = "orthonormal"  # of spherical harmonics in a SOFA file: orthonormal, N3D or SN3D

#[[take]]
#kind = "curves"            # on axis and averages as somebody published them, in place of directions
#file = "curves.txt"
#curve = "listening window" # of a file that does not name it

#[[take]]
#kind = "level table"       # harmonics, levels or losses of level by frequency and voltage
#file = "distortion.txt"
#level_unit = "dB SPL"      # of levels, where the titles do not say
#from_v = 2.83              # that losses of level count from

#[[take]]
#kind = "multitone table"   # tones and what lies between them, or a spectrum
#file = "multitone.txt"
#crest_db = 11.0            # of the signal played
#window = "Hann"            # of a spectrum: none, Hann or Blackman-Harris
#tones = 31                 # in it

#[[take]]
#kind = "noise floor"       # silence at the measuring position, same gain
#file = "quiet.wav"
"""


def write_template(folder: Path) -> Path:
    """Write a commented session.toml into `folder`, made where it does not exist, and return the file's path.

    Raises InputError where a session.toml is there already (it stays as it is), OutputError where it cannot
    be written.
    """
    path = folder / FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = path.open("x", encoding="utf-8", newline="\n")
    except FileExistsError:
        if not folder.is_dir():
            raise OutputError(
                "the folder's name belongs to a file", where=str(folder), remedy="choose another name"
            ) from None
        raise InputError(
            "there is a session.toml already, it was left as it is",
            where=str(path),
            expected="a folder without session.toml",
            remedy="choose another folder, or move the old file away",
        ) from None
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from None
    try:
        with stream:
            stream.write(TEMPLATE)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise _unwritable(path, error) from None
    return path


def _unwritable(path: Path, error: Exception) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        f"session.toml cannot be written: {reason}",
        where=str(path),
        expected="a folder that may be written to, on a disk with room",
        remedy="check permission and free space, or choose another folder",
    )
