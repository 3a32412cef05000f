; Bank 1: arithmetic that bank 0 calls, and its tables.

        .until 0x0040
START:  LDI  0x0008     ; nobody should start here: lamp 4
        OUT  LAMPS
        HALT

; HEIGHT = half of HEIGHT and half of the height one turn of the ring ago.
SMOOTH: LDA  STEP
        ANDI 0x00FF
        ADDI RING
        TAX
        LDAX
        SHR  1
        STA  RAM+2
        LDA  HEIGHT
        SHR  1
        ADD  RAM+2
        STA  HEIGHT
        RET

; A = HEIGHT with the gauge's correction, in bounds of the pen.
LEVEL:  LDA  HEIGHT
        SHR  3
        ANDI 0x03FF
        ADDI FLOAT
        TAX
        LDAX
        SHR  8
        ADD  HEIGHT
        STA  HEIGHT
        SUBI 0x1800
        BC   LEVEL1
        LDA  HEIGHT
        RET
LEVEL1: LDI  0x17FF
        RET

        .until 0x0080
SINE:   .table sine 1024
ROOTS:  .table root 1024
FLOAT:  .table scatter 1792
        .until 0x0FFF
BALANCE: .word BALANCING
