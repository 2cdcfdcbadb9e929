"""Does measuring change the clot?"""

from stanch.verify.probe.settings import Probe, Setting, exposure, probe_effect

__all__ = ["Probe", "Setting", "exposure", "probe_effect"]
