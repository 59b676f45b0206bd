"""The acceptance bench: checks that decide whether a unit may ship, the same for a virtual unit and a real one."""
