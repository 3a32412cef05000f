"""The bring-up ladder and stand-in signals: what must be right before any bus is looked at.

`pulses` measures one signal of a capture (period, widths, duty, jitter, missing and short pulses); `measured`
reads values that a person measured; `ladder` judges rails, clocks, reset and start-up inputs in the order in
which a repairer looks, and `advice` says what to do about the first that fails. `standin` replaces a missing
input: `series`, `astable`, `counter` and `levels` compute parts, counts and margins, `circuit` wires them,
`schematic` draws them. Pure functions over captures and numbers; no image and no terminal enters here.
"""
