"""Many cases at once, examined side by side and summed up; a machine's whole fault list ahead of time.

May enter: what spreads work over processes and machines and gathers what came of it. One case is examined by
`wrongbit.casework`, as everywhere; inputs and results are reached through fsspec, so that they may lie in any
store that it knows. The engine is Dask: a cluster of local processes, or any scheduler that is running.
"""
