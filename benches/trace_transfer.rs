//! What the framing costs: a trace of 10 001 points as REAL,32 through a link, against the same bytes read
//! from a bare socket whose reader knows the length beforehand. Both in one run, in turns, so that the
//! ratio does not depend on what else the machine does.

use std::time::{Duration, Instant};

use criterion::{Criterion, criterion_group, criterion_main};
use muffle::link::{Framing, Link, block, link, units};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Runtime;

const POINTS: usize = 10_001;
const ROUNDS: usize = 2_000;

/// An instrument that has only this one trace.
async fn instrument(listener: TcpListener, answer: Vec<u8>) {
    while let Ok((mut stream, _)) = listener.accept().await {
        let answer = answer.clone();
        tokio::spawn(async move {
            let _ = stream.set_nodelay(true);
            let mut asked = [0; 64];
            while matches!(stream.read(&mut asked).await, Ok(1..)) {
                if stream.write_all(&answer).await.is_err() {
                    return;
                }
            }
        });
    }
}

fn answer() -> Vec<u8> {
    let mut answer = format!("#5{}", 4 * POINTS).into_bytes();
    for point in 0..POINTS {
        answer.extend((-100.0 + point as f32 * 0.005).to_le_bytes());
    }
    answer.push(b'\n');
    answer
}

async fn bare(stream: &mut TcpStream, buffer: &mut [u8]) {
    stream.write_all(b"TRAC?\n").await.expect("write");
    stream.read_exact(buffer).await.expect("read");
}

async fn linked(link: &mut dyn Link) -> usize {
    link.send(b"TRAC?").await.expect("send");
    let answer = link.receive().await.expect("receive");
    let parts = units(&answer).expect("units");
    block(parts[0]).expect("block").len()
}

fn compare(criterion: &mut Criterion) {
    let runtime = Runtime::new().expect("runtime");
    let answer = answer();
    let mut buffer = vec![0; answer.len()];
    let (mut stream, mut link) = runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("listen");
        let address = listener.local_addr().expect("address");
        tokio::spawn(instrument(listener, answer));
        let stream = TcpStream::connect(address).await.expect("connect");
        stream.set_nodelay(true).expect("nodelay");
        let framing = Framing {
            ends_with: "\n".into(),
            prompt: None,
            echo: false,
            clear: None,
        };
        let address = format!("tcp://{address}").parse().expect("address");
        (stream, link(&address, framing))
    });
    let (mut bare_times, mut link_times) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        let begun = Instant::now();
        runtime.block_on(bare(&mut stream, &mut buffer));
        bare_times.push(begun.elapsed());
        let begun = Instant::now();
        assert_eq!(runtime.block_on(linked(&mut *link)), 4 * POINTS);
        link_times.push(begun.elapsed());
    }
    let (bare_time, link_time) = (median(bare_times), median(link_times));
    let megabytes = |time: Duration| buffer.len() as f64 / time.as_secs_f64() / 1e6;
    println!(
        "one trace of {POINTS} points: bare socket {:.0} MB/s, link {:.0} MB/s, {:.0} % of it (medians of {ROUNDS})",
        megabytes(bare_time),
        megabytes(link_time),
        100.0 * bare_time.as_secs_f64() / link_time.as_secs_f64(),
    );
    let mut group = criterion.benchmark_group("trace transfer");
    group.bench_function("bare socket", |bencher| {
        bencher.iter(|| runtime.block_on(bare(&mut stream, &mut buffer)));
    });
    group.bench_function("link", |bencher| {
        bencher.iter(|| runtime.block_on(linked(&mut *link)));
    });
    group.finish();
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

criterion_group!(benches, compare);
criterion_main!(benches);
