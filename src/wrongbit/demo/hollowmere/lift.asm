; Hollowmere lift panel: one program for both processors, which ask an input who they are.
;
; Processor 0 drives the car, processor 1 the panel: its lamps, its doors and its display.

RAM     = 0x8000        ; 1024 words, each processor's own
RAMEND  = 0x83FF        ; the stack grows down from here
ROLE    = 0x8000
FLOOR   = 0x8001        ; floor in eighths
TARGET  = 0x8002
STEP    = 0x8003
SHOWN   = 0x8004
LANDING = 0x10          ; input: landing switches and the shaft's pulses
WHO     = 0x11          ; input: 0 car, 1 panel
MOTOR   = 0x20          ; output: motor and brake
LAMPS   = 0x21          ; output: four lamps, the fault code
DOORS   = 0x22          ; output: doors
DISPLAY = 0x23          ; output: display

        .org 0x0000
        JUMP START

; Add up all 4096 words. Leaves the sum in A, and Z set when it is zero, as it should be.
        .until 0x0008
SUM:    LDX  0x0000
        LDY  0x0200     ; 512 times eight words
        LDI  0x0000
SUM1:   ADDX+
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

        .until 0x0040
START:  LDI  0x5AA5     ; is there a RAM to call with?
        STA  RAMEND
        LDA  RAMEND
        XORI 0x5AA5
        BNZ  BADRAM
        LDI  0xA55A
        STA  RAMEND
        LDA  RAMEND
        XORI 0xA55A
        BNZ  BADRAM
        LDI  0x0001     ; lamp 1: adding up the ROMs
        OUT  LAMPS
        CALL SUM
        BNZ  BADSUM
        CALL TESTRAM
        BNZ  BADRAM
        LDI  0x0000
        STA  FLOOR
        STA  TARGET
        STA  STEP
        OUT  LAMPS
        IN   WHO
        STA  ROLE
        BNZ  PANEL
        JUMP CAR

BADRAM: LDI  0x000C     ; lamps 3 and 4
        OUT  LAMPS
        JUMP STOP
BADSUM: LDI  0x0008     ; lamp 4
        OUT  LAMPS
STOP:   LDI  0x0000     ; brake on, whatever happens
        OUT  MOTOR
        LDY  0x0400
STOP1:  BYNZ STOP1
        IN   LANDING
        ANDI 0x8000
        BZ   STOP
        JUMP START      ; the restart key

; Every word of RAM below the stack gets its own address, and must give it back.
TESTRAM: LDX RAM
        LDY  0x0380
TR1:    TXA
        STAX+
        BYNZ TR1
        LDX  RAM
        LDY  0x0380
TR2:    LDAX
        STA  RAMEND-0x20
        TXA
        XOR  RAMEND-0x20
        BNZ  TR3
        STEPX 1
        BYNZ TR2
TR3:    RET

; The car: towards its target along the speed table, one step a turn.
CAR:    IN   LANDING
        ANDI 0x007F
        STA  TARGET
        XOR  FLOOR
        BZ   CAR1
        LDA  STEP
        ADDI SPEED
        TAX
        LDAX
        OUT  MOTOR
        LDA  FLOOR
        ADDI 0x0001
        ANDI 0x007F
        STA  FLOOR
        CALL NEXT
        JUMP CAR
CAR1:   LDI  0x0000
        OUT  MOTOR
        LDI  0x0001
        OUT  DOORS
        CALL NEXT
        JUMP CAR

; The panel: what the display shows comes from a table, floor by floor.
PANEL:  IN   LANDING
        ANDI 0x03FF
        ADDI GLYPHS
        TAX
        LDAX
        STA  SHOWN
        OUT  DISPLAY
        LDA  STEP
        ADDI LIGHTS
        TAX
        LDAX
        XOR  SHOWN
        OUT  LAMPS
        CALL NEXT
        JUMP PANEL

NEXT:   LDA  STEP       ; next step of 1024
        ADDI 0x0001
        ANDI 0x03FF
        STA  STEP
        RET

        .until 0x0100
SPEED:  .table sine 1024
LIGHTS: .table root 1024
GLYPHS: .table scatter 1791
        .until 0x0FFF
BALANCE: .word BALANCING
