select
    written_heard.transfer_id,
    written_heard.take_id,
    written_heard.run,
    written_heard.event,
from base.written_heard
join stage.laid_take
    on
        laid_take.transfer_id = written_heard.transfer_id
        and laid_take.take_id = written_heard.take_id
        and laid_take.edition = written_heard.edition
