"""File transfer and file sharing: FTP, TFTP, SMB."""
