; Bank 0: self test and the recorder's main loop. Names that begin with OTHER_ are labels of bank 1.

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
        LDI  0x0001     ; lamp 1: adding up this bank
        OUT  LAMPS
        CALL SUM
        BNZ  BADSUM
        LDI  0x0002     ; lamp 2: adding up the other bank
        OUT  LAMPS
        CALLB SUM
        BNZ  BADSUM
        CALL TESTRAM
        BNZ  BADRAM
        CALL CLEAR
        JUMP MAIN

BADRAM: LDI  0x000C     ; lamps 3 and 4
        OUT  LAMPS
        JUMP STOP
BADSUM: LDI  0x0008     ; lamp 4
        OUT  LAMPS
STOP:   LDY  0x0400
STOP1:  BYNZ STOP1
        IN   GAUGE
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

; The ring starts with the first 256 heights of the table.
CLEAR:  LDI  0x0000
        STA  STEP
        STA  HEIGHT
        LDY  0x0100
CL1:    LDA  STEP
        ADDI TIDE
        TAX
        LDAX
        STA  HEIGHT
        LDA  STEP
        ADDI RING
        TAX
        LDA  HEIGHT
        STAX
        CALL NEXT
        BYNZ CL1
        RET

NEXT:   LDA  STEP       ; next step of 2048
        ADDI 0x0001
        ANDI 0x07FF
        STA  STEP
        RET

MAIN:   IN   GAUGE
        STA  HEIGHT
        CALLB OTHER_SMOOTH    ; in the other bank: mean of the new and the old height
        CALL FORETELL
        CALLB OTHER_LEVEL     ; in the other bank: correct by the gauge's table
        OUT  PEN
        CALL STORE
        CALL NEXT
        JUMP MAIN

; Difference between the gauge and the table of the tide.
FORETELL: LDA STEP
        ADDI TIDE
        TAX
        LDAX
        XORI 0xFFFF
        ADDI 0x0001
        ADD  HEIGHT
        BC   FT1
        LDI  0x0000
FT1:    SKZ             ; no pen movement below datum
        STA  RAM+3
        STA  HEIGHT
        RET

STORE:  LDA  STEP
        ANDI 0x00FF
        ADDI RING
        TAX
        LDA  HEIGHT
        STAX
        RET

        .until 0x0100
TIDE:   .table tide 2048
GAUGES: .table scatter 1536
        .until 0x0FFF
BALANCE: .word BALANCING
