"""A case: one machine's repair in one folder, with everything that was learnt in weeks of it.

May enter: what keeps things. The store of originals by their hash, the journal (SQLite in the folder, or a
workshop's PostgreSQL), its tables and their migrations, and the `Case` that ties them together. Nothing here
computes anything about the machine; that is for `wrongbit.job` and `wrongbit.casework` above.

The folder::

    machine.toml      the machine file, as text, edited by people
    case.toml         optional: inputs written by hand; taken into the journal when the case is opened
    journal.sqlite    the journal (or WRONGBIT_DATABASE names a database)
    store/            what was captured and read: originals, byte for byte, each once by its SHA-256
    derived/          what can be computed again: packed samples, cycles, drawings; may be deleted at any time
"""
