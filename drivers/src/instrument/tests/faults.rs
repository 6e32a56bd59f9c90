//! Many random disturbances from a seed: whatever happens on the link, an answer is never
//! attributed to another query, and the instrument stays usable.

use super::fake::{Fake, Reply, line};
use super::*;

/// A small generator (xorshift64*), so that the seed alone reproduces the run.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % bound
    }
}

/// A fake that counts the queries for the token and answers with the count, more or less.
fn disturbed(seed: u64) -> Fake {
    let mut random = Random(seed);
    let mut count = 0;
    Fake::new(move |message| {
        if message != "TOKEN?" {
            return Reply::Usual;
        }
        count += 1;
        let text = format!("{count}\n").into_bytes();
        match random.below(16) {
            0 => Reply::Silence,
            1 => Reply::Late(ms(900 + random.below(2000)), count.to_string()),
            2 => Reply::Close(text[..text.len() - 1].to_vec()),
            3 => Reply::Close(Vec::new()),
            4 => Reply::Bytes([&text[..], &text[..]].concat()),
            5 => Reply::Bytes([b"\x00\xFFgarbage ", &text[..]].concat()),
            6 => Reply::Bytes(text[..text.len() - 1].to_vec()),
            7 => Reply::Bytes([b"TOKEN?\n", &text[..]].concat()),
            8 => Reply::Bytes([format!("{}\n", count - 1).as_bytes(), &text[..]].concat()),
            9 => Reply::Dribble(text),
            _ => line(count),
        }
    })
}

async fn check_disturbances(seed: u64, queries: usize, link: fn(&Fake) -> Box<dyn Transport>) {
    println!("seed {seed}");
    let fake = disturbed(seed);
    let mut supply = Instrument::open("supply", link(&fake), driver()).await.unwrap();
    let mut answered = 0;
    for _ in 0..queries {
        let outcome = supply.read("token").await;
        let asked = fake.state().arrived.iter().filter(|text| *text == b"TOKEN?").count();
        match outcome {
            Ok(value) => {
                assert_eq!(value, Value::Whole(asked as i64), "seed {seed}");
                answered += 1;
            }
            Err(error) => assert_eq!(error.class(), Class::Transient, "seed {seed}: {error}"),
        }
    }
    assert!(answered > queries / 4, "seed {seed}: {answered} of {queries} answered");
}

#[tokio::test(start_paused = true)]
async fn random_faults_on_a_link_that_reopens() {
    check_disturbances(0x5EED_0001, 3000, Fake::link).await;
}

#[tokio::test(start_paused = true)]
async fn random_faults_on_a_line_that_is_drained() {
    let link = |fake: &Fake| -> Box<dyn Transport> {
        let fake = fake.clone();
        Box::new(crate::transport::PipeLink::draining("fake line", move || fake.connect()))
    };
    check_disturbances(0x5EED_0002, 3000, link).await;
}
