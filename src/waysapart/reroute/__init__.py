"""The cheapest separate paths that the plant allows, or the proof that there are none.

The package is named after what it does and may be called: `waysapart.reroute(study)`
is `waysapart.reroute.api.reroute(study)`, whichever was imported first.
"""

from __future__ import annotations

import sys

from waysapart import CallablePackage

sys.modules[__name__].__class__ = CallablePackage
