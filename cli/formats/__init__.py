"""Files for other programs: impulse responses as AES69 (SOFA) and WAV, a study's table as CSV.

May import `cli.words`, `cli.terminal`, `solvers` and `roommodes`.
"""
