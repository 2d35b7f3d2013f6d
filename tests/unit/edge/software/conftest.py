"""Makes the small ODX-F files importable."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
