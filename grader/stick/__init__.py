"""What comes after grading: which cuttings go together, how they are stuck, labels for their containers.

Takes ``results.json`` files, gives a plan (:mod:`grader.stick.plan`), a sheet to print, pictures that say
what to put where, and ``sticking.json``.
"""
