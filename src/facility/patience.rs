//! A connection that gives up where the other side stays silent though something in between still answers for it: a tunnel or a
//! balancer, of which the system's own limits see nothing.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use postgres::Socket;
use postgres::tls::{ChannelBinding, MakeTlsConnect, TlsConnect, TlsStream};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_io_timeout::TimeoutReader;

/// Makes encrypted connections on which an answer may take so long.
pub(super) struct Patient<T> {
    pub(super) tls: T,
    pub(super) patience: Duration,
}

impl<T> MakeTlsConnect<Socket> for Patient<T>
where
    T: MakeTlsConnect<Socket>,
    T::Stream: 'static,
    <T::TlsConnect as TlsConnect<Socket>>::Future: Send + 'static,
{
    type Stream = PatientStream<T::Stream>;
    type TlsConnect = Patient<T::TlsConnect>;
    type Error = T::Error;

    fn make_tls_connect(&mut self, domain: &str) -> Result<Self::TlsConnect, T::Error> {
        Ok(Patient {
            tls: self.tls.make_tls_connect(domain)?,
            patience: self.patience,
        })
    }
}

impl<T> TlsConnect<Socket> for Patient<T>
where
    T: TlsConnect<Socket>,
    T::Stream: 'static,
    T::Future: Send + 'static,
{
    type Stream = PatientStream<T::Stream>;
    type Error = T::Error;
    type Future = Pin<Box<dyn Future<Output = Result<Self::Stream, T::Error>> + Send>>;

    fn connect(self, socket: Socket) -> Self::Future {
        let (connecting, patience) = (self.tls.connect(socket), self.patience);
        Box::pin(async move { Ok(PatientStream::new(connecting.await?, patience)) })
    }
}

/// A stream that fails where nothing is read for too long.
pub(super) struct PatientStream<S>(Pin<Box<TimeoutReader<S>>>);

impl<S: AsyncRead> PatientStream<S> {
    fn new(stream: S, patience: Duration) -> Self {
        let mut reader = TimeoutReader::new(stream);
        reader.set_timeout(Some(patience));
        Self(Box::pin(reader))
    }
}

impl<S: TlsStream> TlsStream for PatientStream<S> {
    fn channel_binding(&self) -> ChannelBinding {
        self.0.get_ref().channel_binding()
    }
}

impl<S: AsyncRead> AsyncRead for PatientStream<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        self.0.as_mut().poll_read(context, into)
    }
}

impl<S: AsyncRead + AsyncWrite> AsyncWrite for PatientStream<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.0.as_mut().poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.0.as_mut().poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.0.as_mut().poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;

    #[test]
    fn an_answer_is_read_and_silence_ends_the_connection() {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap();
        runtime.block_on(async {
            let (near, mut far) = tokio::io::duplex(64);
            let mut near = PatientStream::new(near, Duration::from_millis(200));
            let mut answer = [0; 4];
            far.write_all(b"here").await.unwrap();
            near.read_exact(&mut answer).await.unwrap();
            assert_eq!(&answer, b"here");
            near.write_all(b"still there?").await.unwrap();
            let error = near.read_exact(&mut answer).await.unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        });
    }
}
