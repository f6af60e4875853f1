//! The C99 encoder of the firmware notes, compiled as a device's maker would and decoded by ours.

use super::vectors::{bytes, sample, station, vectors};
use super::{heard, samples};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use tautpoint::acquire::wire::{MISSING, Message};

const FLAGS: [&str; 5] = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"];

/// What a C program that uses the encoder prints; `None` where there is no C compiler.
fn output(main: &str) -> Option<Vec<u8>> {
    let notes = Path::new(env!("CARGO_MANIFEST_DIR")).join("firmware-notes");
    let folder = tempfile::tempdir().unwrap();
    let program = folder.path().join("device");
    let source = folder.path().join("main.c");
    std::fs::write(&source, main).unwrap();
    let compiled = Command::new("cc")
        .args(FLAGS)
        .arg("-I")
        .arg(&notes)
        .arg(&source)
        .arg(notes.join("encoder.c"))
        .arg("-o")
        .arg(&program)
        .output();
    let Ok(compiled) = compiled else {
        assert!(
            std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
            "there is no C compiler (cc)"
        );
        eprintln!("skipped: there is no C compiler (cc)");
        return None;
    };
    assert!(
        compiled.status.success(),
        "{}",
        String::from_utf8_lossy(&compiled.stderr)
    );
    let run = Command::new(&program).output().unwrap();
    assert!(run.status.success(), "{:?}", run.status);
    Some(run.stdout)
}

const HEAD: &str = "#include <stdio.h>\n#include \"encoder.h\"\nstatic uint8_t out[1024];\n\
    void send(uint16_t length);\nvoid send(uint16_t length) { fwrite(out, 1, length, stdout); }\n";

fn c_bytes(bytes: &[u8]) -> String {
    let list: Vec<String> = bytes.iter().map(ToString::to_string).collect();
    // An array in C has one member at least.
    if list.is_empty() {
        "0".to_owned()
    } else {
        list.join(",")
    }
}

/// C that sends every vector of the file, and the bytes that must come.
fn vectors_in_c() -> (String, Vec<u8>) {
    let mut main = format!("{HEAD}int main(void) {{\n");
    let mut expected = Vec::new();
    for vector in vectors() {
        let fields = &vector.fields;
        let _ = match vector.kind.as_str() {
            "crc" => {
                let plain = bytes(&fields[0]);
                expected.extend(u16::from_str_radix(&fields[1], 16).unwrap().to_be_bytes());
                write!(
                    main,
                    "{{ static const uint8_t p[] = {{{}}}; uint16_t c = tautpoint_crc16(0xFFFF, p, {});\
                     out[0] = (uint8_t)(c >> 8); out[1] = (uint8_t)c; send(2); }}",
                    c_bytes(&plain),
                    plain.len()
                )
            }
            "cobs" => {
                let plain = bytes(&fields[0]);
                expected.extend(bytes(&fields[1]));
                expected.push(0);
                write!(
                    main,
                    "{{ static const uint8_t p[] = {{{}}}; send(tautpoint_stuff(p, {}, out, sizeof out)); }}",
                    c_bytes(&plain),
                    plain.len()
                )
            }
            "hello" => {
                expected.extend(bytes(&fields[2]));
                write!(main, "{}", hello_in_c(&fields[0]))
            }
            "sample" => {
                let (sequence, time_us, counts) = sample(&fields[0]);
                expected.extend(bytes(&fields[2]));
                // The lowest number cannot be written as one literal.
                let counts: Vec<String> = counts
                    .iter()
                    .map(|c| format!("{} - 1", i64::from(*c) + 1))
                    .collect();
                write!(
                    main,
                    "{{ static const int32_t c[] = {{{}}};\
                     send(tautpoint_sample(c, {}, {sequence}, {time_us}u, out, sizeof out)); }}",
                    counts.join(","),
                    counts.len()
                )
            }
            _ => Ok(()),
        };
        main.push('\n');
    }
    main.push_str("return 0; }\n");
    (main, expected)
}

fn hello_in_c(words: &str) -> String {
    let (sequence, time_us, station) = station(words);
    let factors = words.split(' ').filter(|w| w.contains(':'));
    let channels: Vec<String> = factors
        .zip(&station.channels)
        .map(|(word, channel)| {
            let factor = word.split_once('=').unwrap().1.split(':').next().unwrap();
            let (digits, power) = factor.split_once('e').unwrap();
            let text = |t: &Option<String>| t.as_ref().map_or("0".to_owned(), |t| format!("\"{t}\""));
            format!(
                "{{{}, {}, {}, {digits}, {power}, {}, {}}}",
                1 + channel.quantity as u8,
                channel.side.map_or(0, |s| 1 + s as u8),
                match channel.unit.as_str() {
                    "N" => 1,
                    "mm" => 2,
                    "deg" => 3,
                    _ => 0,
                },
                text(&channel.sensor),
                text(&channel.calibration)
            )
        })
        .collect();
    format!(
        "{{ static const struct tautpoint_channel c[] = {{{}}};\
         static const struct tautpoint_hello h = {{\"{}\", {}u, {}, c}};\
         send(tautpoint_hello(&h, {sequence}, {time_us}u, out, sizeof out)); }}",
        channels.join(","),
        station.device,
        (station.rate_hz * 1000.0) as u32,
        station.channels.len()
    )
}

#[test]
fn the_c_encoder_sends_the_bytes_of_the_vectors() {
    let (main, expected) = vectors_in_c();
    if let Some(sent) = output(&main) {
        assert!(expected.len() > 2000);
        assert_eq!(sent, expected);
    }
}

/// The numbers that both sides draw: a linear congruential generator (Knuth, The Art of Computer Programming 2, 3.3.4,
/// table 1, line 26's constants as used for 32 bits in Numerical Recipes; from memory). Which one does not matter.
fn next(x: &mut u32) -> i32 {
    *x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
    // Small counts have zero bytes, which is what stuffing is for.
    let value = (*x as i32) >> ((*x >> 8) & 31);
    if *x & 0x7F00_0000 == 0 { MISSING } else { value }
}

#[test]
fn a_stream_of_the_c_encoder_is_decoded_frame_by_frame_over_both_wraps() {
    const COUNT: u32 = 20_000;
    let main = format!(
        "{HEAD}\
        static uint32_t x = 1;\n\
        static int32_t next(void) {{\n\
          int32_t value; unsigned n;\n\
          x = x * 1664525u + 1013904223u;\n\
          n = (x >> 8) & 31u;\n\
          value = x & 0x80000000u ? -(int32_t)(~x >> n) - 1 : (int32_t)(x >> n);\n\
          return x & 0x7F000000u ? value : TAUTPOINT_MISSING;\n\
        }}\n\
        int main(void) {{\n\
          static const struct tautpoint_channel c[] = {{\n\
            {{TAUTPOINT_FORCE, TAUTPOINT_LEFT, TAUTPOINT_N, 1, -3, \"cell-4\", 0}},\n\
            {{TAUTPOINT_FORCE, TAUTPOINT_RIGHT, TAUTPOINT_N, 1, -3, \"cell-5\", 0}},\n\
            {{TAUTPOINT_DISPLACEMENT, TAUTPOINT_NO_SIDE, TAUTPOINT_COUNTS, 1, 0, 0, \"probe-2\"}}}};\n\
          static const struct tautpoint_hello h = {{\"board\", 2000000u, 3, c}};\n\
          uint16_t sequence = 60000; uint32_t time_us = 4294000000u, i; int32_t counts[3];\n\
          for (i = 0; i < {COUNT}u; i++) {{\n\
            if (i % 2000 == 0) send(tautpoint_hello(&h, sequence, time_us, out, TAUTPOINT_HELLO_BYTES));\n\
            counts[0] = next(); counts[1] = next(); counts[2] = next();\n\
            send(tautpoint_sample(counts, 3, sequence++, time_us, out, TAUTPOINT_SAMPLE_BYTES));\n\
            time_us += 500;\n\
          }}\n\
          return 0;\n\
        }}\n"
    );
    let Some(sent) = output(&main) else {
        return;
    };
    let (heard, counts) = heard(&sent);
    assert_eq!((counts.bad, counts.lost, counts.late), (0, 0, 0));
    let Message::Hello { station, .. } = &heard[0] else {
        panic!("no hello first: {:?}", heard[0]);
    };
    assert_eq!(station.device, "board");
    let headings: Vec<String> = station.channels.iter().map(|c| c.heading()).collect();
    assert_eq!(headings, ["force_left_n", "force_right_n", "displacement_counts"]);
    let mut x = 1;
    let mut time_us = 4_294_000_000_u32;
    let samples = samples(&heard);
    assert_eq!(samples.len(), COUNT as usize);
    for (time, values) in samples {
        assert_eq!(time, time_us);
        time_us = time_us.wrapping_add(500);
        for (value, per) in values.iter().zip([1000.0, 1000.0, 1.0]) {
            match next(&mut x) {
                MISSING => assert!(value.is_nan()),
                count => assert_eq!(*value, f64::from(count) / per),
            }
        }
    }
}

#[test]
fn the_c_encoder_never_writes_past_its_room() {
    let main = format!(
        "{HEAD}#include <string.h>\n\
        int main(void) {{\n\
          static const struct tautpoint_channel c[] = {{{{1, 0, 1, 1, -3, \"a sensor's code\", 0}}}};\n\
          static const struct tautpoint_hello h = {{\"board\", 2000000u, 1, c}};\n\
          static const int32_t counts[1] = {{5}};\n\
          uint16_t room, used;\n\
          for (room = 0; room < 80; room++) {{\n\
            memset(out, 0xA5, sizeof out);\n\
            used = tautpoint_hello(&h, 1, 2, out, room);\n\
            if (used > room || out[room] != 0xA5) return 1;\n\
            memset(out, 0xA5, sizeof out);\n\
            used = tautpoint_sample(counts, 1, 1, 2, out, room);\n\
            if (used > room || out[room] != 0xA5) return 2;\n\
            if ((room < 15) != (used == 0)) return 3;\n\
          }}\n\
          return tautpoint_sample(counts, 9, 1, 2, out, sizeof out) ? 4 : 0;\n\
        }}\n"
    );
    output(&main);
}
