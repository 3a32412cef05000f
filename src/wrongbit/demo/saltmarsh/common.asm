; Saltmarsh tide recorder: the part that is the same in both banks.
;
; SUM stands at the same address in both banks, so that CALLB SUM adds up the other bank.

RAM     = 0x8000        ; 1024 words, the same in both banks
RAMEND  = 0x83FF        ; the stack grows down from here
RING    = 0x8100        ; the last 256 heights
STEP    = 0x8000        ; which step of the tide it is
HEIGHT  = 0x8001        ; height in millimetres
GAUGE   = 0x10          ; input: float gauge
PEN     = 0x20          ; output: pen motor
LAMPS   = 0x21          ; output: four lamps, the fault code

        .org 0x0000
        JUMP START

; Add up all 4096 words of this bank. Leaves the sum in A, and Z set when it is zero, as it should be.
        .until 0x0008
SUM:    LDX  0x0000
        LDY  0x0100     ; 256 times sixteen words
        LDI  0x0000
SUM1:   ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        ADDX+
        BYNZ SUM1
        ADDI 0x0000     ; sets Z by the sum
        RET
