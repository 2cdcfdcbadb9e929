"""Evidence that an installation is whole and works on this machine.

Published values are computed again, a virtual gel of known modulus goes through the whole job, damage is planted and
must be noticed, and versions and times are written down.
"""

from stanch.selfcheck.account import selfcheck

__all__ = ["selfcheck"]
