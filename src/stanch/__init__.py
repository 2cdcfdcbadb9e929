"""Stanch: an open bench for assays that read the shear modulus of clotting blood."""

from stanch import kernelcache
from stanch.version import __version__

__all__ = ["__version__"]

kernelcache.prepare()
