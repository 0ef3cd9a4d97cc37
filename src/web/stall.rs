//! A connection whose other end takes nothing for too long is given up: what is held for it is free again.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep};

/// A connection that may not stand still while something is to be sent.
pub(super) struct Moving<S> {
    stream: S,
    patience: Duration,
    waiting: bool,
    until: Pin<Box<Sleep>>,
}

impl<S> Moving<S> {
    pub(super) fn new(stream: S, patience: Duration) -> Self {
        Self { stream, patience, waiting: false, until: Box::pin(sleep(patience)) }
    }

    /// Passes on what a write came to; one that waits for longer than the patience has failed.
    fn watched<T>(&mut self, cx: &mut Context<'_>, came: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if came.is_ready() {
            self.waiting = false;
            return came;
        }
        if !self.waiting {
            self.waiting = true;
            self.until.as_mut().reset(Instant::now() + self.patience);
        }
        ready!(self.until.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Moving<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Moving<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.watched(cx, came)
    }

    fn poll_write_vectored(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bufs: &[io::IoSlice<'_>]) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.watched(cx, came)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let came = Pin::new(&mut self.stream).poll_flush(cx);
        self.watched(cx, came)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    #[tokio::test]
    async fn who_takes_nothing_is_given_up_and_who_is_slow_is_not() {
        let patience = Duration::from_millis(200);
        let (ours, theirs) = duplex(64);
        let given_up = Moving::new(ours, patience).write_all(&[0; 1000]).await;
        assert_eq!(given_up.map_err(|e| e.kind()), Err(io::ErrorKind::TimedOut));
        drop(theirs);
        let (ours, mut theirs) = duplex(64);
        let sender = tokio::spawn(async move { Moving::new(ours, patience).write_all(&[0; 1000]).await });
        let mut taken = Vec::new();
        // Slower in all than the patience, but never still for so long.
        while taken.len() < 1000 {
            sleep(Duration::from_millis(20)).await;
            let mut piece = [0; 32];
            let n = theirs.read(&mut piece).await.unwrap();
            taken.extend_from_slice(&piece[..n]);
        }
        sender.await.unwrap().unwrap();
    }
}
