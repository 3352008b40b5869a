# What `import chip` means to a type checker; on a board it is the file that `flash` chose.
from wakeboard.ports.esp32 import *  # noqa: F403
