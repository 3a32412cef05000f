; Quarrybank kiln programmer: U2 from 0x0000 and U3 from 0x2000, 8192 bytes each; RAM from 0x8000.
; Instructions and registers in small letters, names in capitals.

STACK   = 0x8800
SUM2    = 0x8000        ; what the self test found, two bytes
SUM3    = 0x8002
MINUTE  = 0x8004
DEGREES = 0x8006
BACK    = 0x8008        ; where SUMS keeps the stack pointer
PIECE   = 0x800A        ; where SUMS is
ADC     = 0x11          ; input: thermocouple
HEATER  = 0x12          ; output: heater relay
LAMPS   = 0x13          ; output

        .org 0x0000
RESET:  di
        ld sp,STACK
        jp START

        .until 0x0008
FAIL:   out (LAMPS),a   ; rst 0x08: show A for ever, heater off
        xor a
        out (HEATER),a
FAIL1:  in a,(ADC)
        jr FAIL1

        .until 0x0040
START:  ld a,0x01
        out (LAMPS),a
        xor a
        out (HEATER),a
        ld a,0x55
        ld (SUM2),a
        ld a,(SUM2)
        cp 0x55
        jr nz,BADRAM
        ld a,0xaa
        ld (SUM2),a
        ld a,(SUM2)
        cp 0xaa
        jr nz,BADRAM
        ld a,0x02
        out (LAMPS),a
        call SUMS
        ld hl,(SUM2)
        ld a,h
        or l
        jr nz,BADROM
        ld hl,(SUM3)
        ld a,h
        or l
        jr nz,BADROM
        call TESTRAM
        jr nz,BADRAM
        ld hl,0
        ld (MINUTE),hl
        xor a
        out (LAMPS),a
        jp MAIN
BADROM: ld a,0x04
        rst 0x08
BADRAM: ld a,0x08
        rst 0x08

; Both EPROMs as 16-bit words, sixteen of each in turn; the sums are zero when they are right.
; The stack pointer runs through them, HL adds.
SUMS:   ld (BACK),sp
        ld hl,0
        ld (SUM2),hl
        ld (SUM3),hl
        ld (PIECE),hl
        ld b,0          ; 256 times sixteen words of each
SUMS1:  ld hl,(PIECE)
        ld sp,hl
        ld hl,(SUM2)
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        ld (SUM2),hl
        ld hl,(PIECE)
        set 5,h         ; the same place in U3
        ld sp,hl
        ld hl,(SUM3)
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        pop de
        add hl,de
        ld (SUM3),hl
        ld de,STRIDE
        ld hl,(PIECE)
        add hl,de
        ld a,h
        and 0x1f        ; stay inside 8192 bytes
        ld h,a
        ld (PIECE),hl
        djnz SUMS1
        ld sp,(BACK)
        ret

STRIDE  = 0x1520        ; an odd number of 32-byte pieces: comes to each of the 256 once, spread out

; RAM from 0x8010 to 0x87EF: every byte gets its address bytes, added.
TESTRAM: ld hl,0x8010
        ld bc,0x07e0
TR1:    ld a,h
        add a,l
        ld (hl),a
        inc hl
        dec bc
        ld a,b
        or c
        jr nz,TR1
        ld hl,0x8010
        ld bc,0x07e0
TR2:    ld a,h
        add a,l
        cp (hl)
        ret nz
        inc hl
        dec bc
        ld a,b
        or c
        jr nz,TR2
        ret

; Once a minute: where should the kiln be, where is it, heater on or off.
MAIN:   ld hl,(MINUTE)
        call WANTED
        push hl
        call MEASURED
        ld (DEGREES),hl
        pop de
        or a
        sbc hl,de
        ld a,0
        jr nc,MAIN1
        inc a
MAIN1:  out (HEATER),a
        call RECORD
        ld hl,(MINUTE)
        inc hl
        ld a,h
        and 0x07
        ld h,a
        ld (MINUTE),hl
        jr MAIN

WANTED: add hl,hl       ; HL = minute: degrees from the firing curves
        ld de,FIRING
        add hl,de
        ld e,(hl)
        inc hl
        ld d,(hl)
        ex de,hl
        ret

MEASURED: in a,(ADC)    ; degrees from the thermocouple's curve
        ld l,a
        ld h,0
        add hl,hl
        ld de,COUPLE
        add hl,de
        ld e,(hl)
        inc hl
        ld d,(hl)
        ex de,hl
        ret

RECORD: ld de,(MINUTE)
        ld a,e
        and 0xfe
        ld l,a
        ld h,0x81
        ld de,(DEGREES)
        ld (hl),e
        inc hl
        ld (hl),d
        ret

        .until 0x0200
FIRING: .table firing 4096
COUPLE: .table thermocouple 2048
        .table glaze 1472
        .until 0x1FFE
BALANCE2: .pair BALANCING_U2

        .org 0x2000
MORE:   .table glaze 4096
        .table firing 2048
        .table thermocouple 1536
        .text "QUARRYBANK KILN PROGRAMMER. CURVES 1 TO 16. CONE TABLE 3."
        .until 0x3FFE
BALANCE3: .pair BALANCING_U3
