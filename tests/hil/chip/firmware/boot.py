# boot.py runs as a script: importing it from main.py would run it twice. The work is in a module both can share.
import boot_state  # noqa: F401
