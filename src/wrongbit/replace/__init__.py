"""Plans a replacement for a memory chip that can no longer be had, and writes the files for it.

`catalogue` holds what the parts' data sheets say (data files in ``data/``, each figure with its source and
whether it was checked); `requirement` and `buses` say what the board demands; `circuit` wires old socket,
latch, gates and memory together; `levels` and `timing` do the worst-case sums; `fit` chooses and says plainly
when nothing fits. `wiring`, `drawing`, `label` and `programmer` turn a plan into what the bench needs. No
capture, no fault model and no terminal enters here; files are written by `programmer` alone.
"""
