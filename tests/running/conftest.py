from __future__ import annotations

import sys
from pathlib import Path

# Where worker processes, which know no test, find `spread_tasks` as the tests do.
sys.path.insert(0, str(Path(__file__).parent))
