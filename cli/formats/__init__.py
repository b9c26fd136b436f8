"""Files for other programs: impulse responses as AES69 (SOFA) and WAV.

May import `cli.words`, `cli.terminal`, `solvers` and `roommodes`.
"""
