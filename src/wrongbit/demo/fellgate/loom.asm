; Fellgate loom controller: U4 from 0xF000 (4096 bytes), U5 from 0xE000 (2048 bytes).

PICK    = 0x10          ; number of the pick, two bytes
SHAFTS  = 0x12          ; shafts that are up
SPEED   = 0x13
SUM4    = 0x14          ; what the self test found
SUM5    = 0x15
FAULT   = 0x16
POINTER = 0x18
QUEUE   = 0x0200        ; commands to the shafts
KEYS    = 0xD000        ; input
LIFT    = 0xD001        ; output: shafts
DRIVE   = 0xD002        ; output: motor
LAMPS   = 0xD003        ; output

        .org 0xE000
WEAVE:  .table weave 1024
YARN:   .table yarn 1023
BALANCE5: .word BALANCING_U5

        .org 0xF000
START:  SEI
        CLD
        LDX #0xFF
        TXS
        LDA #0x01
        STA LAMPS
        LDA #0x55
        STA 0x00
        EOR 0x00
        BNE BADRAM1
        LDA #0xAA
        STA 0x00
        EOR 0x00
        BNE BADRAM1
        JSR SUMS
        LDA SUM4
        ORA SUM5
        BNE BADROM
        JSR TESTRAM
        BNE BADRAM1
        LDA #0x00
        STA PICK
        STA PICK+1
        STA SPEED
        STA LAMPS
        JMP MAIN
BADROM: LDA #0x04
        STA FAULT
        JMP HALT
BADRAM1: LDA #0x08
        STA LAMPS
BADRAM2: JMP BADRAM2

; Exclusive-or of all bytes of each ROM, a column of every page at a time; zero when the ROM is right.
SUMS:   LDX #0x00
        STX SUM4
        STX SUM5
SUMS1:  LDA SUM5
        EOR 0xE000,X
        EOR 0xE100,X
        EOR 0xE200,X
        EOR 0xE300,X
        EOR 0xE400,X
        EOR 0xE500,X
        EOR 0xE600,X
        EOR 0xE700,X
        STA SUM5
        LDA SUM4
        EOR 0xF000,X
        EOR 0xF100,X
        EOR 0xF200,X
        EOR 0xF300,X
        EOR 0xF400,X
        EOR 0xF500,X
        EOR 0xF600,X
        EOR 0xF700,X
        EOR 0xF800,X
        EOR 0xF900,X
        EOR 0xFA00,X
        EOR 0xFB00,X
        EOR 0xFC00,X
        EOR 0xFD00,X
        EOR 0xFE00,X
        EOR 0xFF00,X
        STA SUM4
        INX
        BNE SUMS1
        RTS

; Pages 2 to 7 of RAM: every byte gets the exclusive-or of its address bytes.
TESTRAM: LDA #0x00
        STA POINTER
        LDA #0x02
        STA POINTER+1
        LDY #0x00
TR1:    TYA
        EOR POINTER+1
        STA (POINTER),Y
        INY
        BNE TR1
        INC POINTER+1
        LDA POINTER+1
        CMP #0x08
        BNE TR1
        LDA #0x02
        STA POINTER+1
TR2:    TYA
        EOR POINTER+1
        EOR (POINTER),Y
        BNE TR3
        INY
        BNE TR2
        INC POINTER+1
        LDA POINTER+1
        CMP #0x08
        BNE TR2
        LDA #0x00
TR3:    RTS

; One pick a turn: raise the shafts, drive the shuttle, wait for the key.
MAIN:   JSR PATTERN
        STA SHAFTS
        STA LIFT
        JSR TENSION
        STA DRIVE
        LDA PICK
        AND #0x1F
        TAX
        LDA RAMP,X
        STA SPEED
        JSR ENQUEUE
        LDA KEYS
        AND #0x80
        BEQ MAIN1
        JSR STOP
MAIN1:  INC PICK
        BNE MAIN
        INC PICK+1
        JMP MAIN

PATTERN: LDA PICK
        STA POINTER
        LDA PICK+1
        AND #0x03
        CLC
        ADC #>WEAVE
        STA POINTER+1
        LDY #0x00
        LDA (POINTER),Y
        RTS

TENSION: LDX PICK
        LDA YARN,X
        LSR A
        LSR A
        CLC
        ADC SPEED
        BCC TENS1
        LDA #0xFF
TENS1:  RTS

ENQUEUE: LDX PICK
        LDA SHAFTS
        STA QUEUE,X
        PHA
        LDA SPEED
        STA QUEUE+0x100,X
        PLA
        CMP QUEUE,X
        BEQ ENQ1
        LDA #0x08
        STA FAULT
        JMP HALT
ENQ1:   RTS

STOP:   LDA #0x00
        STA DRIVE
STOP1:  LDA KEYS
        AND #0x01
        BEQ STOP1
        RTS

HALT:   LDA #0x00       ; motor off, show the fault, wait for the restart key
        STA DRIVE
        STA LIFT
        LDA FAULT
        STA LAMPS
HALT1:  LDA KEYS
        AND #0x40
        BEQ HALT1
        JMP START

IGNORE: RTI

        .until 0xF200
RAMP:   .table ramp 1024
SPARE:  .table weave 512
        .table yarn 1920
        .until 0xFFF8
BALANCE4: .word BALANCING_U4, 0x00
        .pair IGNORE, START, IGNORE
