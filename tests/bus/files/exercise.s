; Exercises every kind of bus traffic a 6502 makes: zero page, indexed and indirect modes, stack,
; subroutines, a software interrupt, read-modify-write. Runs for ever, with new numbers each round.
; Assembled by ca65 and linked by ld65 of Debian's cc65 with exercise.cfg; invented for these tests.

        .setcpu "6502"

        .zeropage
seed:   .res 1
sum:    .res 2
from:   .res 2
to:     .res 2
count:  .res 1

        .segment "CODE"

reset:  sei
        cld
        ldx #$ff
        txs
        lda #$5a
        sta seed
        lda #0
        sta count

round:  jsr fill
        jsr copy
        jsr add_up
        jsr decimal
        brk                     ; through the vector to `interrupt`
        .byte $ea               ; BRK skips this byte
        inc count
        jmp round

; A page of pseudo-random bytes at $0200.
fill:   ldy #0
@next:  jsr random
        sta $0200,y
        iny
        bne @next
        rts

; x := a x + c, eight bits, with shifts and adds only.
random: lda seed
        asl a
        asl a
        adc seed
        clc
        adc #$11
        sta seed
        rts

; Copy the page to a place that moves with the round, through two pointers.
copy:   lda #<$0200
        sta from
        lda #>$0200
        sta from+1
        lda count
        and #$0f
        clc
        adc #$03
        sta to+1
        lda #$80                ; crosses a page
        sta to
        ldy #0
@next:  lda (from),y
        sta (to),y
        iny
        bne @next
        rts

; Sixteen-bit sum of the copy and of one page of this ROM.
add_up: lda #0
        sta sum
        sta sum+1
        tay
@next:  lda (to),y
        clc
        adc sum
        sta sum
        bcc @rom
        inc sum+1
@rom:   lda $f000,y
        eor sum
        sta sum
        iny
        bne @next
        lsr $0240               ; read-modify-write
        ror sum+1
        dec $0241
        rts

decimal:
        sed
        lda count
        clc
        adc #$19
        cld
        pha
        pla
        ldx #$04
@walk:  lda table,x
        sta ($20,x)             ; pointers in zero page, all to one byte
        dex
        bpl @walk
        bit $0240
        bvs @over
        lda seed
@over:  rts

interrupt:
        pha
        txa
        pha
        tsx
        lda $0104,x             ; the pushed status
        sta $0700
        pla
        tax
        pla
        rti

table:  .byte $01, $80, $ff, $00, $55

        .segment "VECTORS"
        .word reset             ; NMI
        .word reset             ; reset
        .word interrupt         ; IRQ and BRK
