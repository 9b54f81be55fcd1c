import sys
from pathlib import Path

# Workers import the measuring functions of these tests by name.
sys.path.insert(0, str(Path(__file__).parent))
