"""A private PulseAudio without hardware: a null sink as wire, a filter as loudspeaker."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

from patience import until

CUTOFF_HZ = 500.0
_MODULES = (
    "module-native-protocol-unix socket={place}/native auth-anonymous=1",
    "module-null-sink sink_name=wire rate=48000 format=float32le channels=2",
    "module-null-sink sink_name=mic rate=48000 format=float32le channels=2",
    "module-ladspa-sink sink_name=speaker sink_master=mic plugin=/usr/lib/ladspa/filter.so label=hpf "
    f"control={CUTOFF_HZ:g} rate=48000 format=float32le channels=2",
)


@contextmanager
def virtual_sound() -> Iterator[dict[str, str]]:
    """A PulseAudio of our own, reached only through the environment that is given."""
    place = tempfile.mkdtemp(prefix="earwitness-pulse-")
    names = ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH")
    environment = {
        **dict.fromkeys(names, place),
        "PULSE_SERVER": f"unix:{place}/native",
        "PULSE_COOKIE": f"{place}/cookie",
    }
    loads = [part for module in _MODULES for part in ("-L", module.format(place=place))]
    quiet = ("--daemonize=no", "--use-pid-file=no", "--disable-shm=yes", "--exit-idle-time=-1")
    with subprocess.Popen(
        ["pulseaudio", "-n", *quiet, f"--log-target=file:{place}/log", *loads], env={**os.environ, **environment}
    ) as process:

        def answers() -> bool:
            assert process.poll() is None, "PulseAudio did not start; see its log"
            asked = subprocess.run(["pactl", "info"], env={**os.environ, **environment}, capture_output=True)
            return asked.returncode == 0

        try:
            until(answers, what="PulseAudio starts; see its log")
            yield environment
        finally:
            process.terminate()
            process.wait()
            shutil.rmtree(place, ignore_errors=True)
