"""python -m wakewell"""

import sys

from wakewell.cli import main

sys.exit(main())
