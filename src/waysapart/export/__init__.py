"""A proof as layers for any GIS.

The package is named after what it does and may be called: `waysapart.export(proof, path)`
is `waysapart.export.geopackage.export(proof, path)`, whichever was imported first.
"""

from __future__ import annotations

import sys

from waysapart import CallablePackage

sys.modules[__name__].__class__ = CallablePackage
