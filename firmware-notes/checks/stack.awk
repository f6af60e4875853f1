# The deepest the stack can get, from what the compiler says of each function (.su files) and who calls whom (a
# disassembly): the main loop, and the deepest interrupt on top of it. Interrupts do not nest on either board.
function depth(f, trail,    i, n, parts, deepest, d) {
    if (f in known) return known[f]
    if (index(trail, " " f " ")) { print "stack: " f " calls itself" > "/dev/stderr"; exit 1 }
    n = split(calls[f], parts, " ")
    deepest = 0
    for (i = 1; i <= n; i++) {
        d = depth(parts[i], trail " " f " ") + overhead
        if (d > deepest) deepest = d
    }
    return known[f] = ((f in own) ? own[f] : pushed[f]) + deepest
}
FILENAME ~ /\.su$/ {
    split($1, where, ":")
    # Functions of one name (static ones): the largest counts.
    if ($2 + 0 > own[where[4]]) own[where[4]] = $2 + 0
    if ($3 !~ /static|bounded/) { print "stack: " $0 > "/dev/stderr"; exit 1 }
    next
}
/^[0-9a-f]+ <.*>:$/ { now = $2; gsub(/[<>:]/, "", now); sub(/\..*/, "", now); next }
# What the compiler was not asked about (its own library): what it pushes.
/\tpush\t/ { pushed[now] += avr ? 1 : 4 * gsub(/,/, ",") + 4 }
/elf32-avr/ { avr = 1; overhead = 2 }
/\t(r?call|rjmp|jmp|bl|b\.n|b\.w|b)\t/ && /</ {
    target = $0
    sub(/.*</, "", target); sub(/[+>].*/, "", target); sub(/\..*/, "", target)
    if (target != now && index(" " calls[now] " ", " " target " ") == 0 && target !~ /^__?(bad|vectors|ctors|trampolines)/)
        calls[now] = calls[now] " " target
}
/\ticall|\tblx\tr/ { print "stack: a call by pointer in " now > "/dev/stderr"; exit 1 }
END {
    for (f in own) {
        if (f ~ /^__vector_|_handler$/ && f != "reset_handler") {
            # Pushed by the processor: a return address, or the eight registers of an exception.
            d = depth(f, "") + (avr ? 2 : 36)
            if (d > interrupt) { interrupt = d; which = f }
        }
    }
    main = depth("main", "") + overhead
    printf "stack: at most %d bytes (main loop %d, interrupt %d) of %d that are left\n", main + interrupt, main, interrupt, left
    if (main + interrupt > left) exit 1
}
