"""What insulation is worth in money: prices beside the posterior, uncertainty of both carried.

``quantities`` standardises over the pool, ``inputs`` gathers prices and lifetimes, ``net`` puts
them together, ``money`` discounts, ``one_way`` and ``worth_knowing`` ask what would change the
answer, ``results`` makes the tables.
"""
