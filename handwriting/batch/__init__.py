"""A study: many pages named by a manifest, measured by workers that may die, into tables that never differ.

    manifest -> engine (pool or cluster, work in each worker) -> ledger and records -> tables, gallery

`ledger` holds what has been done, one commit a page; records are files; every table is made from the two, in the order
of the manifest, so that neither the number of workers nor how often a run was stopped can be seen in them.
"""
