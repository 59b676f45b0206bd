"""A measured unit as data: what was measured, the parameters of its air, the file that holds both.

Below the rooms: virtual units are made of twins, and what talks to units opens virtual ones.
"""
