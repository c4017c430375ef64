"""Publishing: a bundle anybody can verify and fit again, and nobody can be found in.

``publish`` takes the records of members who agreed, puts pseudonyms for names, leaves out places
and dates, makes strengths alike in groups, fits these published records, and writes all of it with
checksums. ``reproduce`` starts from such a bundle alone.
"""
