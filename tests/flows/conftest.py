import sys
from pathlib import Path

# The quick steps are found by name, here and in worker processes.
sys.path.insert(0, str(Path(__file__).parent))
