"""What is computed of a case: kept by key, recomputed when anything that went in changes.

May enter: `Casework`, which asks `wrongbit.job` and the rooms below on behalf of the command line, the report
and the workbench, keeps packed samples and cycles beside the originals and findings in the journal; the
overview and the proof as plain values; what several of the three would otherwise each do for themselves
(the references of one chip, the sources of a rebuilding, the requirement of a replacement). May not: anything
that prints, draws, or serves.
"""
