; Names and mnemonics that look like hex words, for the 6502 (assembled by the test).
        .setcpu "6502"
        .org    $0200
DEAD:   lda     #$FF
        sta     $D020
BEEF:   dec     $AD
        adc     #$BC
        .byte   "ABCD FACE", $DB, $DC, $DD, $AA, $BB, $CC, $EE, $FF
        .byte   $DB
A1:     bcc     DEAD
B2:     .byte   $FA, $CE
        .word   $BEEF, BEEF, A1
        .res    3, $CB
        rts
