"""A folder for the chart library that goes with the program: it would else write into the home of whoever runs it.

There it looks through the machine's fonts in each run; where that takes a while, it would say so on standard error.

Must not know: what is charted.
"""

import atexit
import logging
import os
import shutil
import tempfile


def keep_apart() -> None:
    """To be called before the library is imported.  What a person has set stays; a user without a home is no fault."""
    if "MPLCONFIGDIR" not in os.environ:
        folder = os.environ["MPLCONFIGDIR"] = tempfile.mkdtemp(prefix="collector-charts-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
